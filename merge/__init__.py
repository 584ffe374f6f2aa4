"""Sort, check and merge focus brackets into one picture that is sharp throughout."""

__all__: list[str] = []
