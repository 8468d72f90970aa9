"""What is installed, with its versions: what a bug report needs."""

import functools
import platform
from importlib.metadata import PackageNotFoundError, version

from stackopt.version import VERSION

NEEDED = ("numpy", "scipy", "pulp", "highspy", "pydantic", "pint", "typer", "tomli", "tomli-w")
OPTIONAL = ("jinja2", "matplotlib", "distributed", "cbcbox")


@functools.cache
def decisive() -> dict[str, str]:
    """The versions that an answer may depend on, by name.

    >>> list(decisive())
    ['python', 'stackopt', 'numpy', 'scipy', 'pulp', 'highspy', 'pydantic', 'pint']
    """
    parts = ("numpy", "scipy", "pulp", "highspy", "pydantic", "pint")
    return {"python": platform.python_version(), "stackopt": VERSION, **{part: version(part) for part in parts}}


def versions() -> dict[str, str]:
    """Versions by name: of stackopt, Python and platform, the libraries that it needs, and the optional ones there are.

    >>> list(versions())[:4]
    ['stackopt', 'Python', 'platform', 'numpy']
    """
    found = {"stackopt": VERSION, "Python": f"{platform.python_version()} ({platform.python_implementation()})",
             "platform": platform.platform()}  # fmt: skip
    for name in (*NEEDED, *OPTIONAL):
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            if name in NEEDED:
                found[name] = "not installed"
    return found | {"HiGHS": _highs()}


def _highs() -> str:
    """The version of the solver itself; why not, where it cannot be loaded: that is what a report is for."""
    try:
        import highspy

        return str(highspy.Highs().version())
    except Exception as error:
        return f"not usable, {type(error).__name__}: {error}"
