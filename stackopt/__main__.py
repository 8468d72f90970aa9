"""`python -m stackopt`, and what the installed command runs."""

import _thread
import sys
import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sys import UnraisableHookArgs


def run() -> None:
    """Run the command line; a Ctrl-C while it is still loading ends it as any other."""
    sys.unraisablehook = _swallowed
    try:
        from stackopt.cli import main
    except KeyboardInterrupt:
        raise SystemExit(130) from None
    main()


def _swallowed(one: "UnraisableHookArgs") -> None:
    """A Ctrl-C that came where Python lets no exception out, as where it clears up after an import, comes again."""
    if not issubclass(one.exc_type, KeyboardInterrupt):
        sys.__unraisablehook__(one)
    elif not sys.is_finalizing():
        threading.Timer(0.01, _thread.interrupt_main).start()


if __name__ == "__main__":
    run()
