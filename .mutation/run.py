"""Small faults put into a module one at a time, and whether its tests notice: `run.py MODULE...`; see DEVELOPERS.md.

Cosmic Ray makes the faults (mutants); each is tried in a copy of the project, by a fork of a process that has the
libraries loaded already. Results are added to a file, a line a mutant; what is in there is not tried again.
"""

import argparse
import ast
import importlib
import json
import os
import random
import re
import shutil
import signal
import sys
import tempfile
import time
import tomllib
import traceback
from collections import Counter
from pathlib import Path

import highspy  # noqa: F401, loaded once, for all forks
import pint  # noqa: F401
import pulp  # noqa: F401
import pydantic  # noqa: F401
import pytest
import scipy.optimize  # noqa: F401
from cosmic_ray.mutating import MutationVisitor
from cosmic_ray.plugins import get_operator, operator_names
from hypothesis import HealthCheck, Phase, settings

PROJECT = Path(__file__).resolve().parent.parent
PLAN = tomllib.loads((Path(__file__).parent / "plan.toml").read_text())


def mutants(module):
    """Each mutant of a module: what it is called wherever its line stands, the line's number, and the text with it."""
    text = (PROJECT / module).read_text()
    called = Counter()
    for operator in sorted(name.removeprefix("core/") for name in operator_names()):
        number = 0
        while any(re.fullmatch(pattern, operator) for pattern in PLAN["operators"]):
            changed = MutationVisitor.mutate_code(text, get_operator(f"core/{operator}")(), number)
            if changed is None:
                break
            line, before, after = changed_line(text, changed)
            called[operator, before, after] += 1
            yield f"{operator}: {before} -> {after} #{called[operator, before, after]}", line, changed
            number += 1


def changed_line(text, changed):
    """The number of the first line that a mutant changes, the line before and after."""
    before, after = text.splitlines(), changed.splitlines()
    number = next(k for k, (a, b) in enumerate(zip(before, after, strict=False)) if a != b)
    return number + 1, before[number].strip(), after[number].strip()


class Unshrunk:
    """Few examples, and none made smaller: that one fails is enough."""

    def __init__(self, examples):
        self.examples = examples

    def pytest_configure(self):
        """Before the tests are read, which ask for the number of their examples."""
        settings.register_profile("mutation", deadline=None, max_examples=self.examples, derandomize=True,
                                  database=None, suppress_health_check=list(HealthCheck),
                                  phases=[Phase.explicit, Phase.generate])
        settings.load_profile("mutation")


def tried(copy, plan, seconds, compiled=False):
    """Run the tests of a plan in a fork; "killed", "timeout" or "survived", and the seconds that it took.

    With `compiled` Python keeps what it compiles, for later ones to be quick.
    """
    begun = time.monotonic()
    child = os.fork()
    if not child:
        os.setsid()
        os.nice(19)
        os.chdir(copy)
        sys.dont_write_bytecode = not compiled
        silence = os.open(os.environ.get("MUTATION_LOG", os.devnull), os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(silence, 1)
        os.dup2(silence, 2)
        try:
            # One after the other, and without the whole command line where that is not tested: most mutants die soon.
            code = any(pytest.main(["-x", "--assert=plain", *["--noconftest"] * ("test_cli" not in one), one],
                                   plugins=[Unshrunk(plan.get("examples", 16))]) for one in plan["tests"])  # fmt: skip
        except BaseException:
            traceback.print_exc()
            sys.stderr.flush()
            code = 1
        os._exit(int(code))
    while time.monotonic() < begun + seconds:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return ("survived" if status == 0 else "killed"), time.monotonic() - begun
        time.sleep(0.02)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return "timeout", time.monotonic() - begun


def load_what_it_stands_on(copy, module):
    """Import what a module imports, once for all its mutants; nothing of it imports that module."""
    for name in [name for name in sys.modules if name.split(".")[0] == "stackopt"]:
        del sys.modules[name]
    for node in ast.walk(ast.parse((copy / module).read_text())):
        if isinstance(node, ast.ImportFrom) and node.module.startswith("stackopt."):
            importlib.import_module(node.module)


def run(module, copy, results, sample, again):
    """Try the mutants of one module that are not in `results` yet, or `again` those that survived."""
    plan = PLAN["modules"][module]
    target = copy / module
    text = target.read_text()
    every = list(mutants(module))
    lines = [json.loads(line) for line in results.read_text().splitlines()] if results.exists() else []
    seen = {one["mutant"]: one["outcome"] for one in lines if one["module"] == module}
    chosen = random.Random(module).sample(every, len(every))[:sample]  # the first of a larger sample are a smaller one
    chosen = [one for one in chosen if (seen.get(one[0]) == "survived" if again else one[0] not in seen)]
    load_what_it_stands_on(copy, module)
    outcome, usual = tried(copy, plan, 600, compiled=True)
    assert outcome == "survived", "the tests fail without a mutant"
    for old in target.parent.glob(f"__pycache__/{target.stem}.*"):  # else mistaken for that of a mutant of its size
        old.unlink()
    for name, line, changed in chosen:
        target.write_text(changed)
        seen[name], seconds = tried(copy, plan, max(PLAN["seconds"], 3 * usual))
        target.write_text(text)
        with results.open("a") as stream:
            one = {"module": module, "mutant": name, "line": line, "outcome": seen[name], "seconds": round(seconds, 1)}
            stream.write(json.dumps(one) + "\n")
    outcomes = [seen[name] for name, _, _ in every if name in seen]
    killed, late, left = (outcomes.count(word) for word in ("killed", "timeout", "survived"))
    print(f"{module}: {len(every)} mutants, {len(outcomes)} tried, {killed} killed, {late} timeouts, {left} survived,"
          f" score {100 * (killed + late) / max(1, len(outcomes)):.1f} %")  # fmt: skip
    for name, line, _ in every:
        if seen.get(name) == "survived":
            print(f"  {module}:{line} {name}")


def main():
    """Read the command line and run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("modules", nargs="*", default=list(PLAN["modules"]), help="as stackopt/judge.py; default: all")
    parser.add_argument("--results", type=Path, default=Path("mutation.jsonl"), help="the file to add results to")
    parser.add_argument("--sample", type=int, help="so many mutants of each module, drawn by a fixed seed")
    parser.add_argument("--again", action="store_true", help="only those that survived so far")
    given = parser.parse_args()
    os.environ |= {"OMP_NUM_THREADS": "1"}
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy"
        sys.path.insert(0, str(copy))
        shutil.copytree(PROJECT, copy, ignore=shutil.ignore_patterns(".git", ".hypothesis", "__pycache__"))
        for module in given.modules:
            run(module, copy, given.results.resolve(), given.sample, given.again)


if __name__ == "__main__":
    main()
