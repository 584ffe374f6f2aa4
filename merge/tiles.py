"""A picture tile by tile."""

from __future__ import annotations

from collections.abc import Iterator

Tile = tuple[slice, slice]


def iterate_tiles(shape: tuple[int, ...], rows: int, columns: int) -> Iterator[Tile]:
    """Yield (rows, columns) of tiles of at most ``rows`` x ``columns`` that cover ``shape``."""
    for row in range(0, shape[0], rows):
        for column in range(0, shape[1], columns):
            yield (
                slice(row, min(row + rows, shape[0])),
                slice(column, min(column + columns, shape[1])),
            )


def grow_tile(tile: Tile, by: int, shape: tuple[int, ...]) -> Tile:
    """Return a tile with ``by`` more on every side, within ``shape``."""
    rows, columns = (
        slice(max(s.start - by, 0), min(s.stop + by, n)) for s, n in zip(tile, shape, strict=False)
    )
    return rows, columns


def tile_within(tile: Tile, outer: Tile) -> Tile:
    """Return where a tile lies in a larger one that holds it."""
    rows, columns = (
        slice(s.start - o.start, s.stop - o.start) for s, o in zip(tile, outer, strict=True)
    )
    return rows, columns
