"""Thirty cards that are hard to sort, each a way in which photographers fill one."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
from card_generator import WIDTH, Card, Scene, TrueGroup


def bracket(
    card: Card,
    scene: Scene | None = None,
    frames: int | None = None,
    *,
    way: int = 1,
    part: tuple[int, int] | None = None,
    group: TrueGroup | None = None,
    view: Callable[[], dict] = dict,
    **options,
) -> TrueGroup:
    """Focus goes over the whole depth; ``way`` -1 starts far, ``part`` takes some frames."""
    if scene is None:
        scene = card.scene(blur_px=float(card.rng.uniform(7, 18)))
    frames = frames or int(card.rng.integers(6, 18))
    group = group or card.group("focus bracket")
    places = np.linspace(0, 1, frames)[::way]
    for focus in places[slice(*(part or (0, frames)))]:
        card.shoot(group, scene, float(focus), **(options | view()))
    return group


def _held(card: Card, scale: float = 1.0) -> Callable[[], dict]:
    """Give what a camera in the hand does: shift, turn and shake differ from shot to shot."""
    r = card.rng
    return lambda: {
        "shift": tuple(r.normal(0, 3.0 * scale, 2)),
        "turn_deg": float(r.normal(0, 0.25 * scale)),
        "shake_px": float(abs(r.normal(0, 0.8 * scale))),
    }


def _single(card: Card, scene: Scene | None = None, focus: float | None = None, **options) -> None:
    focus = float(card.rng.uniform(0, 1)) if focus is None else focus
    card.shoot(card.group("single"), scene or card.scene(), focus, **options)


def _series(card: Card, kind: str, scene: Scene, shots: list[dict], **options) -> TrueGroup:
    group = card.group(kind)
    for shot in shots:
        card.shoot(group, scene, **(options | shot))
    return group


def _apart(card: Card) -> None:
    """Let time pass between two jobs, often with a picture of something else."""
    card.wait(float(card.rng.uniform(20, 400)))
    if card.rng.random() < 0.5:
        _single(card)
        card.wait(float(card.rng.uniform(8, 200)))


def macro(card: Card) -> None:
    bracket(card, gap_s=float(card.rng.uniform(0.15, 1.5)), breathing=card.rng.uniform(0, 0.05))


def macro_fine_steps(card: Card) -> None:
    """Take steps so small that neighbours hardly differ."""
    scene = card.scene(kind="thing", blur_px=float(card.rng.uniform(8, 12)))
    bracket(card, scene, int(card.rng.integers(22, 34)), gap_s=0.3, breathing=0.03)


def macro_at_high_iso(card: Card) -> None:
    card.iso = int(card.rng.choice([1600, 3200]))
    bracket(card, gap_s=0.5)


def landscape_on_tripod(card: Card) -> None:
    scene = card.scene(kind="ground", blur_px=float(card.rng.uniform(10, 22)))
    bracket(card, scene, int(card.rng.integers(2, 5)), gap_s=float(card.rng.uniform(4, 18)),
             way=int(card.rng.choice([1, -1])))  # fmt: skip


def landscape_in_the_hand(card: Card) -> None:
    scene = card.scene(kind="ground", blur_px=float(card.rng.uniform(12, 22)))
    bracket(card, scene, int(card.rng.integers(3, 6)), gap_s=float(card.rng.uniform(2, 6)),
             view=_held(card), wind_px=1.5)  # fmt: skip


def exposures_at_each_focus(card: Card) -> None:
    scene = card.scene(kind="ground", blur_px=float(card.rng.uniform(12, 20)))
    stops = [(0, -2, 2), (-1, 0, 1), (0, -1, 1)][card.rng.integers(3)]
    groups = []
    for focus in np.linspace(0.05, 0.95, int(card.rng.integers(3, 5))):
        shots = [{"focus": float(focus), "stops": s} for s in stops]
        groups.append(_series(card, "exposure bracket", scene, shots, gap_s=0.3))
        card.wait(float(card.rng.choice([0.2, 2.0, 5.0])))
    card.sets.append(("focus bracket of exposure brackets", groups))


def brackets_at_each_exposure(card: Card) -> None:
    scene, frames = card.scene(blur_px=14.0), int(card.rng.integers(4, 9))
    groups = []
    for stop in (0, -2, 2):
        groups.append(bracket(card, scene, frames, stops=stop, gap_s=0.4))
        card.wait(float(card.rng.uniform(0.2, 3)))
    card.sets.append(("focus brackets at several exposures", groups))


def brackets_at_each_aperture(card: Card) -> None:
    scene, frames = card.scene(blur_px=16.0), int(card.rng.integers(4, 9))
    groups = []
    for number in (5.6, 8.0, 11.0):
        groups.append(bracket(card, scene, frames, f_number=number, gap_s=0.5))
        card.wait(float(card.rng.uniform(0.5, 6)))
    card.sets.append(("focus brackets at several f-numbers", groups))


def apertures_at_each_focus(card: Card) -> None:
    scene = card.scene(blur_px=16.0)
    groups = []
    for focus in np.linspace(0.1, 0.9, int(card.rng.integers(2, 4))):
        shots = [{"focus": float(focus), "f_number": n} for n in (5.6, 8.0, 11.0, 16.0)]
        groups.append(_series(card, "aperture series", scene, shots, gap_s=2.5))
        card.wait(float(card.rng.uniform(0.5, 6)))
    card.sets.append(("focus bracket of aperture series", groups))


def there_and_back(card: Card) -> None:
    """Near to far, and at once far to near."""
    scene, frames = card.scene(blur_px=float(card.rng.uniform(8, 16))), int(card.rng.integers(5, 9))
    bracket(card, scene, frames, gap_s=0.5)
    bracket(card, scene, frames, way=-1, gap_s=0.5)


def burst_in_the_hand(card: Card) -> None:
    """One focus, leaves in the wind."""
    scene = card.scene(blur_px=float(card.rng.uniform(6, 18)))
    focus, held = float(card.rng.uniform(0, 1)), _held(card)
    gap = float(card.rng.uniform(0.08, 0.4))
    wind = float(card.rng.choice([0.0, 1.5, 3.0]))
    for _ in range(int(card.rng.integers(5, 13))):
        _single(card, scene, focus, gap_s=gap, wind_px=wind, **held())


def burst_on_tripod(card: Card) -> None:
    card.iso = int(card.rng.choice([100, 800, 3200]))
    scene, focus = card.scene(blur_px=12.0), float(card.rng.uniform(0, 1))
    wind = float(card.rng.choice([0.0, 2.0]))
    for _ in range(int(card.rng.integers(3, 13))):
        _single(card, scene, focus, gap_s=0.2, wind_px=wind)


def time_lapse(card: Card) -> None:
    """One focus for a long time: clouds, light, wind."""
    scene, focus = card.scene(kind="ground", blur_px=14.0), float(card.rng.uniform(0.2, 0.8))
    gap, at = float(card.rng.choice([4.0, 10.0, 30.0])), float(card.rng.uniform(0, 6))
    for i in range(int(card.rng.integers(10, 22))):
        _single(card, scene, focus, gap_s=gap, clouds=at + 0.25 * i, light=1 - 0.02 * i,
                wind_px=1.0)  # fmt: skip


def same_names_in_two_folders(card: Card) -> None:
    """Two bodies of one model, their cards copied side by side."""
    top = card.folder
    frames = int(card.rng.integers(5, 9))
    scenes = [card.scene(blur_px=13.0) for _ in range(2)]
    groups = [card.group("focus bracket") for _ in range(2)]
    start = card.counter
    for i, focus in enumerate(np.linspace(0, 1, frames)):
        for k in (0, 1):
            card.folder, card.counter = top / f"card{k + 1}", (start + i - 1) % 9999 + 1
            card.shoot(groups[k], scenes[k], float(focus), gap_s=0.6)
    card.folder = top / "card1"
    card.wait(60)
    _single(card)
    card.folder = top


def same_names_without_exif(card: Card) -> None:
    card.exif = False
    top, start = card.folder, card.counter
    for k in (0, 1):
        card.folder, card.counter = top / f"day{k + 1}", start
        bracket(card, frames=int(card.rng.integers(5, 9)))
        _single(card)
    card.folder = top


def some_without_exif(card: Card) -> None:
    """Two frames of a bracket lost their EXIF on the way."""
    frames = int(card.rng.integers(8, 12))
    lost = set(card.rng.choice(np.arange(1, frames), 2, replace=False).tolist())
    scene, group = card.scene(blur_px=13.0), card.group("focus bracket")
    for i, focus in enumerate(np.linspace(0, 1, frames)):
        card.exif = i not in lost
        card.shoot(group, scene, float(focus), gap_s=0.5)
    card.exif = True


def rail(card: Card) -> None:
    """Move the camera, not the lens: one recorded distance, parallax."""
    scene = card.scene(kind=str(card.rng.choice(["thing", "slope"])), blur_px=14.0)
    bracket(card, scene, int(card.rng.integers(8, 18)), gap_s=float(card.rng.uniform(1, 6)),
             recorded=0.02, parallax=float(card.rng.uniform(0.03, 0.1)))  # fmt: skip


def panorama_of_brackets(card: Card) -> None:
    frames = int(card.rng.integers(3, 7))
    scene = card.scene(kind="ground", blur_px=14.0, width=int(2.4 * WIDTH))
    groups = []
    for k in range(3):
        off = k * 0.7 * WIDTH
        groups.append(bracket(card, scene, frames, offset=off, gap_s=1.0))
        card.wait(float(card.rng.uniform(3, 9)))
    card.sets.append(("panorama of focus brackets", groups))


def raw_and_jpeg(card: Card) -> None:
    card.pairs = True
    bracket(card, frames=int(card.rng.integers(4, 9)), gap_s=0.8)
    card.wait(40)
    _single(card)


def counter_over_its_end(card: Card) -> None:
    top = card.folder
    card.folder = top / f"card{card.count}"
    card.counter = 9999 - int(card.rng.integers(1, 6))
    card.exif = bool(card.rng.random() < 0.5)
    bracket(card, frames=int(card.rng.integers(7, 12)), gap_s=0.2)
    card.folder, card.exif = top, True


def two_cameras(card: Card) -> None:
    """One shoots a bracket while the other shoots single pictures and a bracket."""
    _two_bodies(card, ("FRM_", ("Sample", "One"), 101), ("PIC", ("Other", "Two"), 6001))


def two_bodies_of_one_model(card: Card) -> None:
    _two_bodies(card, ("FRM_", ("Sample", "One"), 101), ("FRM_", ("Sample", "One"), 6001))


def _two_bodies(card: Card, *ways: tuple[str, tuple[str, str], int]) -> None:
    frames, kept = int(card.rng.integers(6, 12)), (card.prefix, card.camera, card.counter)
    scene, group = card.scene(blur_px=13.0), card.group("focus bracket")
    counters = [c + 40 * card.count for _, _, c in ways]
    for focus in np.linspace(0, 1, frames):
        card.prefix, card.camera = ways[0][:2]
        card.counter = counters[0]
        card.shoot(group, scene, float(focus), gap_s=0.7)
        counters[0] += 1
        if card.rng.random() < 0.4:
            card.prefix, card.camera = ways[1][:2]
            card.counter = counters[1]
            _single(card, gap_s=0.6)
            counters[1] += 1
    card.prefix, card.camera, card.counter = kept


def no_exif(card: Card) -> None:
    card.exif = False
    for _ in range(2):
        bracket(card, frames=int(card.rng.integers(5, 9)))
    _single(card)


def whole_seconds(card: Card) -> None:
    card.subseconds = False
    bracket(card, gap_s=0.15)
    card.wait(8)
    bracket(card, gap_s=0.15)


def interrupted(card: Card) -> None:
    scene, frames = card.scene(blur_px=14.0), int(card.rng.integers(9, 14))
    stop = int(card.rng.integers(4, frames - 3))
    group = bracket(card, scene, frames, part=(0, stop), gap_s=1.0)
    card.wait(float(card.rng.uniform(40, 150)))
    bracket(card, scene, frames, part=(stop, frames), group=group, gap_s=1.0)


def started_again(card: Card) -> None:
    scene, frames = card.scene(blur_px=14.0), int(card.rng.integers(7, 12))
    bracket(card, scene, frames, part=(0, int(card.rng.integers(3, 6))), gap_s=0.4)
    card.wait(float(card.rng.uniform(1, 8)))
    bracket(card, scene, frames, gap_s=0.4)


def walk_with_singles(card: Card) -> None:
    """Single pictures, some of one place with another cut, shutter or focal length."""
    for _ in range(6):
        scene, focus = card.scene(), float(card.rng.uniform(0, 1))
        for _ in range(int(card.rng.integers(1, 4))):
            shift = tuple(card.rng.uniform(-30, 30, 2))
            _single(card, scene, focus, gap_s=float(card.rng.uniform(3, 15)), shift=shift,
                    shake_px=float(card.rng.uniform(0, 1)))  # fmt: skip
        card.wait(float(card.rng.uniform(5, 60)))


def same_scene_again(card: Card) -> None:
    scene, frames = card.scene(blur_px=float(card.rng.uniform(9, 16))), int(card.rng.integers(4, 9))
    for _ in range(3):
        bracket(card, scene, frames, gap_s=0.4)


def next_scene_at_once(card: Card) -> None:
    for _ in range(3):
        bracket(card, frames=int(card.rng.integers(4, 10)), gap_s=0.4)


def drifting_shutter(card: Card) -> None:
    """Aperture priority by hand: the shutter follows the light by thirds of a stop."""
    scene, group = card.scene(blur_px=13.0), card.group("focus bracket")
    held = _held(card, 0.7)
    for focus in np.linspace(0, 1, int(card.rng.integers(5, 11))):
        stop = float(card.rng.choice([0, 1 / 3, -1 / 3]))
        card.shoot(group, scene, float(focus), stops=stop, light=2.0**-stop, gap_s=0.6,
                   breathing=0.03, **held())  # fmt: skip


def apertures(card: Card) -> None:
    shots = [{"f_number": n} for n in (4.0, 5.6, 8.0, 11.0, 16.0, 22.0)]
    shots = shots[:: int(card.rng.choice([1, -1]))][: int(card.rng.integers(3, 7))]
    scene, focus = card.scene(blur_px=12.0), float(card.rng.uniform(0, 1))
    _series(card, "aperture series", scene, shots, focus=focus, gap_s=card.rng.uniform(1, 6))


def apertures_uncompensated(card: Card) -> None:
    """One shutter time, so that every stop takes half of the light."""
    shots = [{"f_number": n, "stops": 2 * np.log2(8 / n)} for n in (5.6, 8.0, 11.0, 13.0)]
    scene = card.scene(blur_px=12.0)
    for focus in (0.4, 0.8):
        _series(card, "aperture series", scene, shots, focus=focus, gap_s=3.0)


def exposures(card: Card) -> None:
    """Exposure brackets one after the other, of one place and of the next."""
    stops = [(0, -2, 2), (-2, -1, 0, 1, 2), (0, -1, 1), (-1, 0, 1)][card.rng.integers(4)]
    for _ in range(2):
        scene, focus = card.scene(blur_px=12.0), float(card.rng.uniform(0, 1))
        for _ in range(int(card.rng.integers(1, 3))):
            shots = [{"stops": s} for s in stops]
            _series(card, "exposure bracket", scene, shots, focus=focus, gap_s=0.25,
                    **_held(card, 0.4)())  # fmt: skip
            card.wait(float(card.rng.uniform(0.5, 5)))


def trial_shots(card: Card) -> None:
    """Look at the light, then take the bracket, then look at the far end."""
    scene = card.scene(kind="ground", blur_px=14.0)
    _single(card, scene, 0.3, stops=float(card.rng.choice([-1, 1])), gap_s=9.0)
    _single(card, scene, 0.3, gap_s=float(card.rng.uniform(9, 25)))
    bracket(card, scene, int(card.rng.integers(5, 11)), gap_s=0.5)
    card.wait(float(card.rng.uniform(8, 30)))
    _single(card, scene, 1.0)


def a_day(card: Card) -> None:
    scene = card.scene(kind="ground", blur_px=14.0)
    shots = [{"f_number": n} for n in (4.0, 5.6, 8.0, 11.0, 16.0)]
    _series(card, "aperture series", scene, shots, focus=0.4, gap_s=3.0)
    card.wait(12)
    bracket(card, scene, 6, gap_s=3.0)
    card.wait(200)
    exposures(card)
    card.wait(15)
    bracket(card, frames=12, way=-1)
    burst_on_tripod(card)


PATTERNS: tuple[Callable[[Card], None], ...] = (
    macro, macro_fine_steps, macro_at_high_iso, landscape_on_tripod, landscape_in_the_hand,
    exposures_at_each_focus, brackets_at_each_exposure, brackets_at_each_aperture,
    apertures_at_each_focus, there_and_back, burst_in_the_hand, burst_on_tripod, time_lapse,
    same_names_in_two_folders, same_names_without_exif, some_without_exif, rail,
    panorama_of_brackets, raw_and_jpeg, counter_over_its_end, two_cameras,
    two_bodies_of_one_model, no_exif, whole_seconds,
    interrupted, started_again, walk_with_singles, same_scene_again, next_scene_at_once,
    drifting_shutter, apertures, apertures_uncompensated, exposures, trial_shots, a_day,
)  # fmt: skip
SHOTS = 24


def write_card(folder: Path, pattern: Callable[[Card], None], *, seed: int = 0) -> Card:
    """Fill ``folder`` with some two dozen shots by one pattern; the card keeps the truth."""
    folder.mkdir(parents=True, exist_ok=True)
    card = Card(folder, zlib.crc32(pattern.__name__.encode(), seed))
    iso = card.iso
    while True:
        card.iso = iso
        pattern(card)
        if card.count >= SHOTS or pattern is same_names_without_exif:
            return card
        _apart(card)


def share_right(truth: list[TrueGroup], found: list[tuple[str, frozenset[Path]]]) -> float:
    """Return the share of files whose group has the true kind and exactly the true files."""
    right = {(g.kind, frozenset(g.files)) for g in truth}
    total = sum(len(g.files) for g in truth)
    return sum(len(files) for kind, files in found if (kind, files) in right) / total
