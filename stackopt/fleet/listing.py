"""Which problem files are meant: a folder stands for those in it."""

import os
import re
from collections.abc import Iterable

from stackopt.errors import Fault, ProblemError
from stackopt.writing import ANSWER

_PLANT = re.compile(rb"^[ \t]*\[\[[ \t]*machine[ \t]*\]\]", re.MULTILINE)


def problem_files(names: Iterable[str]) -> list[str]:
    """The files named, and those of the folders named: TOML and JSON in the order of their names.

    Hidden files, answers of ours and files of whole plants are no problem files. Raises ProblemError for a folder that
    holds none or cannot be read.
    """
    found: list[str] = []
    faults = []
    for name in names:
        if name == "-" or not os.path.isdir(name):
            found.append(name)
            continue
        try:
            inside = [os.path.join(name, file) for file in sorted(os.listdir(name)) if _may_be(name, file)]
        except OSError as error:
            faults.append((name, error.strerror or str(error), "a folder that can be read"))
            continue
        if not inside:
            faults.append((name, "a folder without problem files", "TOML or JSON files in it"))
        found += inside
    if len(faults) == 1:
        (folder, what, expected), = faults
        raise ProblemError((Fault(None, what, expected),), folder)
    if faults:
        raise ProblemError(tuple(Fault(*fault) for fault in faults))
    return found


def _may_be(folder: str, file: str) -> bool:
    """Whether a file of a folder is a problem file, as far as its name and beginning show."""
    place = os.path.join(folder, file)
    ending = os.path.splitext(file)[1].lower()
    if file.startswith(".") or ending not in (".toml", ".json") or not os.path.isfile(place):
        return False
    try:
        with open(place, "rb") as stream:
            return not stream.read(64).startswith(ANSWER) if ending == ".json" else not _PLANT.search(stream.read())
    except OSError:
        return True  # reading it will say why not
