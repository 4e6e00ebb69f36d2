"""A bar on the terminal for what takes long, and nothing where nobody looks."""

from collections.abc import Callable

from tqdm import tqdm


class Bars:
    """One bar at a time on the error output, if that is a terminal. Use as a context manager.

    `bars("Reading usage.csv")` begins a bar and returns the function that moves it: (done, total).
    """

    def __init__(self) -> None:
        self._bar: tqdm | None = None

    def __enter__(self) -> "Bars":
        return self

    def __exit__(self, *exc_info) -> None:
        self._close()

    def __call__(self, label: str) -> Callable[[int, int], None]:
        self._close()
        bar = self._bar = tqdm(desc=label, bar_format="{desc}: {percentage:3.0f}% {bar} {remaining}", disable=None)

        def move(done: int, total: int) -> None:
            bar.total = total
            bar.update(done - bar.n)

        return move

    def _close(self) -> None:
        if self._bar is not None:
            self._bar.close()
            self._bar = None
