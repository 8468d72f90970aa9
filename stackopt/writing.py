"""Files written whole or not at all; over an older one only where that is one of ours."""

import contextlib
import os
import re
from collections.abc import Iterable, Sequence
from pathlib import Path

from stackopt.errors import Fault, ProblemError

# How our files begin.
PAGE = (b"<!doctype html>\n<!-- a page of stackopt -->",)
ANSWER = (b'{"format": "stackopt.', b'{\n  "format": "stackopt.')


def not_writable(error: Exception, place: str, expected: str = "a place that can be written to") -> ProblemError:
    """What the operating system said, as a fault."""
    return ProblemError((Fault(None, getattr(error, "strerror", None) or str(error), expected),), place or "''")


def _written(place: str, parts: Iterable[bytes]) -> str:
    """A file with these parts beside a place: its name, to be renamed within the folder."""
    part = os.path.join(os.path.dirname(place), f".part-{os.urandom(6).hex()}")
    with open(part, "xb") as stream:
        try:
            stream.writelines(parts)
            stream.close()
        except BaseException:
            os.unlink(part)
            raise
    return part


def real(file: str) -> str:
    """The place of a file, links followed. Raises ProblemError where it has none."""
    try:
        if not file:
            raise ValueError("a name without letters")
        return os.path.realpath(file)
    except (OSError, ValueError) as error:  # as where the working folder is gone
        raise not_writable(error, file) from None


def write_new(file: str, text: str) -> None:
    """Write a file that does not exist yet. Raises ProblemError where it does, or where it cannot be written."""
    if file == "-":
        raise ProblemError((Fault(None, "standard output", "the name of a new file"),), file)
    real(file)
    try:
        part = _written(file, [text.encode()])
        try:
            os.link(part, file)  # unlike a renaming, it never replaces what is there
        except FileExistsError:
            raise
        except OSError:  # as on a memory stick, whose file system has no links
            open(file, "xb").close()
            os.replace(part, file)
        finally:
            with contextlib.suppress(FileNotFoundError):
                os.unlink(part)
    except FileExistsError:
        raise ProblemError((Fault(None, "a file of that name", "a new name; nothing is overwritten"),), file) from None
    except (OSError, ValueError) as error:
        raise not_writable(error, file) from None


def place_of(file: str, ours: Sequence[bytes], what: str) -> str:
    """The place of a file, links followed. Raises ProblemError where something stands there that is none of `ours`.

    `ours` are the ways in which such a file begins, `what` its name in words.
    """
    place = real(file)
    try:
        if os.path.lexists(place):
            found = None if os.path.isfile(place) else "a folder" if os.path.isdir(place) else "no plain file"
            if found is None:
                with open(place, "rb") as stream:
                    start = stream.read(max(map(len, ours)))
                found = None if start == b"" or start.startswith(tuple(ours)) else "another file"
            if found:
                raise ProblemError((Fault(None, found, f"a new name, or that of {what}: nothing else is overwritten"),),
                                   file)  # fmt: skip
        elif not os.path.isdir(os.path.dirname(place)):
            raise ProblemError((Fault(None, "no such folder", "a place that can be written to"),), file)
    except (OSError, ValueError) as error:
        raise not_writable(error, file) from None
    return place


def replace(file: str, parts: Iterable[bytes], ours: Sequence[bytes], what: str) -> None:
    """Write a file in place of an older one. Raises as `place_of` does, and where it cannot be written."""
    place = place_of(file, ours, what)
    try:
        part = _written(place, parts)
        try:
            os.replace(part, place)
        except BaseException:
            os.unlink(part)
            raise
    except (OSError, ValueError) as error:
        raise not_writable(error, file) from None


def swept(folder: str) -> None:
    """Take out what a process that was killed has left half written in a folder."""
    with os.scandir(folder) as found:
        parts = [one.path for one in found
                 if re.fullmatch(r"\.part-[0-9a-f]{12}", one.name) and one.is_file(follow_symlinks=False)]  # fmt: skip
    for part in parts:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(part)


def make_folder(folder: str) -> None:
    """Make a folder where it is missing. Raises ProblemError where that cannot be."""
    real(folder)
    try:
        os.makedirs(folder, exist_ok=True)
    except (OSError, ValueError) as error:
        raise not_writable(error, folder, "a folder that can be made") from None


def names_in(folder: str, files: Sequence[str], ending: str, option: str) -> dict[str, str]:
    """What is written in a folder for each file. Raises ProblemError where that would be one name for two files.

    >>> names_in("out", ["a/one.toml", "-"], ".json", "--out")
    {'a/one.toml': 'out/one.json', '-': 'out/standard-input.json'}
    """
    names: dict[str, str] = {}
    taken: dict[str, str] = {}
    faults = []
    for file in files:
        name = str(Path(folder) / f"{'standard-input' if file == '-' else Path(file).stem}{ending}")
        if file not in names and name in taken:
            faults.append(Fault(option, f"two files that would both write {name}: {taken[name]} and {file}",
                                "different names"))  # fmt: skip
        names[file] = name
        taken.setdefault(name, file)
    if faults:
        raise ProblemError(tuple(faults))
    return names
