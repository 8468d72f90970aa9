"""The commands; the only file that prints or exits."""

import contextlib
import functools
import gc
import json
import os
import shlex
import shutil
import signal
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, TextIO

import typer

from stackopt.errors import Fault, ProblemError, StackoptError, foreseen, legible
from stackopt.writing import PAGE, make_folder, names_in, place_of, real, replace, write_new

UsageError: Any = typer.BadParameter.__bases__[0]  # typer brings its own click, or uses the installed one
# Of several files the worst counts, in this order.
_WORST = (130, 1, 2, 4, 5, 3, 0)

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False,
                  help="Settings for stacked metering pumps: computed, proved and explained.")  # fmt: skip
Json = Annotated[bool, typer.Option("--json", help="Print JSON and nothing else.")]
Files = Annotated[list[str], typer.Argument(metavar="FILE...", help=(
    "Problem files, folders that stand for those in them, or - for standard input."))]  # fmt: skip
File = Annotated[str, typer.Argument(metavar="FILE", help="Problem file (TOML or JSON), or - for standard input.")]


class _Units(StrEnum):
    metric = "metric"
    normal = "normal"
    us = "us"


Units = Annotated[_Units, typer.Option("--units", help=(
    "Units of the text: metric (air in L/min ANR), normal (air in Nm^3/h), us (scfm, psi, US fl oz)."))]  # fmt: skip


class _ReaderGone(Exception):
    """The other end of the pipe was closed."""


def _print(text: str) -> None:
    try:
        if sys.stdout is None:
            raise OSError("closed")
        sys.stdout.write(text + "\n")
        sys.stdout.flush()
    except BrokenPipeError:
        raise _ReaderGone from None  # typer would make a failure of it
    except OSError as error:
        raise _unwritable(error) from None


def _unwritable(error: OSError) -> StackoptError:
    _silence(sys.stdout)
    return StackoptError(f"standard output cannot be written: {error.strerror or error}")


def _silence(stream: TextIO | None) -> None:
    """Nothing more can be said there, and Python must not try to on its way out."""
    if stream is not None:
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _show(text: str) -> None:
    """Print an answer as text; what it quotes of files is not obeyed by a terminal."""
    _print("\n".join(map(legible, text.split("\n"))))


def _say(text: str) -> None:
    """Tell on standard error; where that is closed or full, the exit code has to do."""
    if sys.stderr is None:
        return
    try:
        sys.stderr.write("\n".join(map(legible, text.split("\n"))) + "\n")
        sys.stderr.flush()
    except OSError:
        _silence(sys.stderr)


def _json(data: Any, lines: bool = False) -> None:
    _print(json.dumps(data, allow_nan=False, indent=None if lines else 2))


def _faults(error: StackoptError, file: str | None, as_json: bool, lines: bool = False) -> int:
    """Say what is wrong, and the exit code that goes with it."""
    _say(str(error) if error.faults else f"{legible(file) + ': ' if file else ''}{error}")
    if as_json:
        _json(error.to_dict(file), lines)
    return error.exit_code


def _version(wanted: bool) -> None:
    if wanted:
        from stackopt.installed import versions

        _print("\n".join(f"{name} {version}" for name, version in versions().items()))
        raise typer.Exit


@app.callback()
def _main(version: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True,
                                                help="Print the versions that a bug report needs.")] = False
          ) -> None:  # fmt: skip
    pass


def _answer(file: str, ask: Callable[[Any], Any], as_json: bool, lines: bool = False,
            more: "_More | _Wide | None" = None) -> int:  # fmt: skip
    """Read one file, answer it and print that; the exit code."""
    import stackopt

    try:
        result = ask(stackopt.read(file))
        gc.enable()
        try:
            code, text = int(result.exit_code), _told(result, as_json, more)
        except KeyboardInterrupt:  # while the explanation was sought: the settings are there all the same
            result = result.unexplained()
            code, text = 130, _told(result, as_json, None)
    except _ReaderGone:
        raise
    except Exception as error:  # one file's failure is not another's
        return _faults(foreseen(error), file, as_json, lines)
    if as_json:
        _json(text, lines)
    else:
        _show(text)
    return code


def _told(result: Any, as_json: bool, more: "_More | _Wide | None") -> Any:
    """An answer as plain data or as text, with what else was asked for."""
    if more is None:
        return result.to_dict() if as_json else str(result)
    return more.told(result, as_json)


class _Wide:
    """An answer as wide as the terminal, within 60 to 200 columns; 80 where it goes elsewhere. No colour anywhere."""

    def told(self, result: Any, as_json: bool) -> Any:
        if as_json:
            return result.to_dict()
        shown = sys.stdout is not None and sys.stdout.isatty()
        return result.text(min(max(shutil.get_terminal_size().columns, 60), 200) if shown else 80)


@dataclass(frozen=True)
class _More:
    """What `solve` is asked for besides the answer."""

    alternatives: int
    what_if: bool
    lp: str | None
    write: str | None
    units: str
    pages: dict[str, str] | None = None  # the page that goes with each file

    def told(self, result: Any, as_json: bool) -> Any:
        from stackopt.report import terminal
        from stackopt.result import data_of

        if as_json:
            told = data_of(result, self.alternatives, self.what_if)
        else:
            others = result.alternatives(self.alternatives) if self.alternatives else []  # it says what of it fails
            told = result.text(self.units)
            if self.alternatives:
                told += "\n" + terminal.alternatives_text(result, others, self.units)
            if self.what_if:
                told += "\n" + terminal.what_if_text(result, result.what_if())
        if self.lp is not None:
            from stackopt.optimise.proving import written

            write_new(self.lp, written(result.stack))
        if self.write is not None:
            self._changed(result, self.write)
        if self.pages:
            _write_page(self.pages[result.problem.file], result)
        return told

    def _changed(self, result: Any, file: str) -> None:
        from stackopt.problem.files import text_of

        if not result.advice:
            _say(f"{legible(file)} is not written: there is no advice to follow")
            return
        whole = [n for n, advice in enumerate(result.advice, 1) if advice.serves_all] or [1]
        write_new(file, text_of(result.changed(whole[0]), file))
        _say(f"wrote {legible(file)}, with advice {whole[0]} followed: {result.advice[whole[0] - 1].change}")


def _pages_in(folder: str, files: list[str]) -> dict[str, str]:
    """The page of each file in a folder, which is made where it is missing; refused before anything is solved."""
    pages = names_in(folder, files, ".html", "--report")
    make_folder(folder)
    for page in pages.values():
        place_of(page, PAGE, "a page")
    return pages


def _write_page(page: str, result: Any) -> None:
    """Write the page of an answer, whole or not at all; over an older page."""
    from datetime import date

    from stackopt.report.page import page as page_of
    from stackopt.report.terminal import status_words

    text = page_of(result, date.today())
    if page == "-":
        if hasattr(sys.stdout, "reconfigure"):
            sys.stdout.reconfigure(encoding="utf-8")
        _print(text.rstrip("\n"))
        return
    replace(page, [text.encode()], PAGE, "a page")
    _say(f"wrote {legible(page)}: {status_words(result)}")


@app.command()
def solve(
    files: Files,
    as_json: Json = False,
    alternatives: Annotated[int, typer.Option("--alternatives", metavar="N", min=0, max=1000, help=(
        "Show the next best rates too, each with its best settings."))] = 0,
    what_if: Annotated[bool, typer.Option("--what-if", help=(
        "Show how the answer moves with less or more air, the rate off by its drift, a mark lost."))] = False,
    keep: Annotated[bool, typer.Option("--keep", help=(
        "Of settings nearly as good as the best, take those with the fewest changes against today (now)."))] = False,
    lp: Annotated[str | None, typer.Option("--lp", metavar="NEW", help=(
        "Write the model in LP format to a new file."))] = None,
    write: Annotated[str | None, typer.Option("--write", metavar="NEW", help=(
        "Write the problem, with the first advice followed that serves every point, to a new file."))] = None,
    pages: Annotated[str | None, typer.Option("--report", metavar="FOLDER", help=(
        "Write a page for each file too: FOLDER/NAME.html."))] = None,
    units: Units = _Units.metric,
    out: Annotated[str | None, typer.Option("--out", metavar="FOLDER", help=(
        "Write an answer for each file, FOLDER/NAME.json, and FOLDER/summary.csv."))] = None,
    jobs: Annotated[int | None, typer.Option("--jobs", metavar="N", min=1, max=1024, help=(
        "With --out: so many processes (as many as there are cores)."))] = None,
    cluster: Annotated[str | None, typer.Option("--cluster", metavar="ADDRESS", help=(
        "With --out: on the workers of the dask scheduler there, or of one begun here for 'local'."))] = None,
    resume: Annotated[bool, typer.Option("--resume", help=(
        "With --out: only what is new or has changed since."))] = False,
    limit: Annotated[float, typer.Option("--limit", metavar="SECONDS", min=0.1, max=1e6, help=(
        "With --out: give a file up after so long."))] = 600.0,
    against: Annotated[str | None, typer.Option("--against", metavar="FOLDER", help=(
        "List what changes against the older answers of that folder, and what it saves."))] = None,
) -> None:  # fmt: skip
    """The settings of one machine or of many."""
    import stackopt
    from stackopt.fleet.listing import problem_files

    files = problem_files(files)
    single = "--lp" if lp is not None else "--write" if write is not None else None
    if len(files) > 1 and single:
        raise ProblemError((Fault(single, f"{len(files)} files", "one FILE"),))
    if pages is not None:
        from stackopt.report.page import need

        need()
    if out is not None or against is not None:
        if single:
            raise ProblemError((Fault(single, "--out or --against beside it", "one FILE alone"),))
        asked = _Asked(as_json, keep, alternatives, what_if, pages, jobs, cluster, resume, limit, against)
        raise typer.Exit(_batch(list(dict.fromkeys(files)), out, asked))
    for option, given in (("--jobs", jobs), ("--cluster", cluster), ("--resume", resume)):
        if given:
            raise ProblemError((Fault(option, "no --out", "--out FOLDER beside it, where the answers go"),))
    places = None if pages is None else _pages_in(pages, files)
    more = _More(alternatives, what_if, lp, write, units.value, places)
    codes = []
    for number, file in enumerate(files):
        if not as_json and len(files) > 1:
            _print(f"{'' if number == 0 else chr(10)}== {legible(file)}")
        codes.append(_answer(file, stackopt.keep if keep else stackopt.solve, as_json, len(files) > 1, more))
        if codes[-1] == 130:
            break
    raise typer.Exit(min(codes, key=_WORST.index))


@dataclass(frozen=True)
class _Asked:
    """What a batch is asked for."""

    as_json: bool
    keep: bool
    alternatives: int
    what_if: bool
    pages: str | None
    jobs: int | None
    cluster: str | None
    resume: bool
    limit: float
    against: str | None


def _batch(files: list[str], out: str | None, asked: _Asked) -> int:
    """Solve files into a folder, or into none where only the changes are asked for; the exit code."""
    import tempfile

    if out is not None:
        return _into(files, out, asked)
    with tempfile.TemporaryDirectory() as folder:
        return _into(files, folder, asked)


def _into(files: list[str], out: str, asked: _Asked) -> int:
    from datetime import date

    from stackopt.fleet import batch, pool
    from stackopt.fleet.answers import Wish
    from stackopt.fleet.folder import Folder
    from stackopt.report.batch_text import against_lines, against_total, totals_text

    if asked.against is not None and not os.path.isdir(asked.against):
        raise ProblemError((Fault("--against", asked.against, "a folder of older answers"),))
    if asked.against is not None and real(asked.against) == real(out):
        raise ProblemError((Fault("--against", f"the same folder as --out: {out}", "another one"),))
    jobs = asked.jobs or pool.cores()
    if asked.cluster is None:
        spread = functools.partial(pool.spread, jobs=jobs, seconds=asked.limit)
    else:
        from stackopt.fleet import cluster

        cluster.need()
        spread = functools.partial(cluster.spread, address=asked.cluster, jobs=jobs, seconds=asked.limit)
    folder = Folder(out, files, asked.pages)
    wish = Wish(asked.keep, asked.alternatives, asked.what_if, None if asked.pages is None else date.today())
    totals = batch.Totals(len(files))
    progress = _Progress(totals)
    done = [False] * len(files)
    told, changed, unknown, interrupted = 0, 0, 0, False
    gc.enable()
    try:
        with contextlib.closing(batch.run(files, folder, wish, spread, totals, asked.resume, asked.against)) as numbers:
            for number in numbers:
                done[number] = True
                while told < len(files) and done[told]:  # in the order given, from the disk: memory may not hold them
                    if asked.as_json or asked.against is not None:
                        text = Path(folder.answers[files[told]]).read_text(encoding="utf-8")
                        lines = [text.rstrip("\n")]
                        if asked.against is not None:
                            data = json.loads(text)
                            change = data.get("against", {"unknown": True})
                            unknown += bool(change["unknown"])
                            changed += not change["unknown"] and bool(change["changes"])
                            lines = lines if asked.as_json else against_lines(data)
                        if lines:
                            (_print if asked.as_json else _show)("\n".join(lines))
                    told += 1
                progress.show()
    except KeyboardInterrupt:
        interrupted = True
    progress.end()
    closing = totals_text(totals)
    if asked.against is not None:
        closing = f"{against_total(told, changed, unknown)}\n{closing}"
    (_say if asked.as_json else _show)(closing)
    if interrupted:
        _say(f"interrupted: what is done is in {legible(out)}; --resume does the rest")
        return 130
    return min(totals.codes, key=_WORST.index)


class _Progress:
    """How far a batch is, on standard error: on a terminal one line that is written over, else a line now and then."""

    def __init__(self, totals: Any) -> None:
        self._totals = totals
        self._over = sys.stderr is not None and sys.stderr.isatty()
        self._next = time.monotonic() + self._pause
        self._width = 0

    @property
    def _pause(self) -> float:
        return 0.2 if self._over else 10.0

    def show(self) -> None:
        """Tell it where it is time."""
        from stackopt.report.batch_text import progress_text

        if sys.stderr is None or time.monotonic() < self._next:
            return
        self._next = time.monotonic() + self._pause
        text = progress_text(self._totals)
        if not self._over:
            _say(text)
            return
        text = text[:shutil.get_terminal_size().columns - 1]
        sys.stderr.write("\r" + text.ljust(self._width))
        sys.stderr.flush()
        self._width = len(text)

    def end(self) -> None:
        """Leave the line."""
        if self._over and self._width:
            sys.stderr.write("\r" + " " * self._width + "\r")
            sys.stderr.flush()


@app.command()
def report(
    file: File,
    out: Annotated[str, typer.Option("-o", "--out", metavar="PAGE", help=(
        "The page to write, over an older one of that name, or - for standard output."))],
) -> None:  # fmt: skip
    """One page to print and to look at: setting sheet, pictures, a slider for the rate."""
    import stackopt
    from stackopt.report.page import load

    load()
    if out != "-":
        place_of(out, PAGE, "a page")
    result = stackopt.solve(stackopt.read(file))
    gc.enable()
    code = result.exit_code
    try:
        _write_page(out, result)
    except KeyboardInterrupt:  # while the explanation was sought: the settings are there all the same
        code = 130
        _write_page(out, result.unexplained())
    raise typer.Exit(code)


@app.command()
def rates(file: File, as_json: Json = False) -> None:
    """Which rates and marks serve which point, and what conflicts."""
    import stackopt

    raise typer.Exit(_answer(file, stackopt.rates, as_json, more=_Wide()))


@app.command()
def tradeoff(
    file: File,
    as_json: Json = False,
    points: Annotated[int | None, typer.Option("--points", metavar="N", min=2, max=100_000, help=(
        "So many plans, evenly spread by air (15)."))] = None,
    everything: Annotated[bool, typer.Option("--all", help="Every plan that nothing beats.")] = False,
) -> None:  # fmt: skip
    """Dose error against air: the settings that nothing beats in both."""
    import stackopt

    if points is not None and everything:
        raise ProblemError((Fault("--points", "--all beside it", "one of them"),))
    raise typer.Exit(_answer(file, lambda problem: stackopt.tradeoff(problem, points, everything), as_json,
                             more=_Wide()))


@app.command()
def split(file: File, as_json: Json = False) -> None:
    """The fewest generators that serve every point, and which point goes to which."""
    import stackopt

    raise typer.Exit(_answer(file, stackopt.split, as_json))


@app.command()
def check(file: File, as_json: Json = False, units: Units = _Units.metric) -> None:
    """What the settings of today do, beside the best ones."""
    import stackopt

    raise typer.Exit(_answer(file, stackopt.check, as_json, more=_More(0, False, None, None, units.value)))


@app.command()
def calibrate(
    file: File,
    csv: Annotated[str, typer.Argument(metavar="CSV", help="Weighings or spray trials, one a row.")],
    as_json: Json = False,
    rising: Annotated[bool, typer.Option("--rising", help=(
        "Fit shares that never fall from mark to mark."))] = False,
    water: Annotated[bool, typer.Option("--water", help=(
        "The weighings are of water, with its temperature."))] = False,
    write: Annotated[str | None, typer.Option("--write", metavar="NEW", help=(
        "Write a new problem file with what was found."))] = None,
) -> None:  # fmt: skip
    """Stroke volumes and shares from weighings, or windows of air from spray trials."""
    import stackopt
    from stackopt.problem.files import text_of

    answer = stackopt.calibrate(stackopt.read(file), csv, rising, water)
    gc.enable()
    code, told = answer.exit_code, answer.to_dict() if as_json else str(answer)
    if write is not None and not answer.refused:
        write_new(write, text_of(answer.changed(), write))
    (_json if as_json else _show)(told)
    if write is not None:
        _say(f"wrote {legible(write)}" if not answer.refused else "\n".join(
            f"{legible(write)} is not written: {reason}" for reason in answer.refused))  # fmt: skip
        code = code or (2 if answer.refused else 0)
    raise typer.Exit(code)


@app.command()
def plant(
    file: Annotated[str, typer.Argument(metavar="FILE", help="Plant file (TOML); its machines lie in its folder.")],
    as_json: Json = False,
    jobs: Annotated[int | None, typer.Option("--jobs", metavar="N", min=1, max=1024, help=(
        "So many processes find the machines' plans (one a core)."))] = None,
) -> None:  # fmt: skip
    """Many machines on one compressor."""
    import stackopt

    answer = stackopt.plant(file, jobs)
    gc.enable()
    (_json if as_json else _show)(answer.to_dict() if as_json else str(answer))
    raise typer.Exit(answer.exit_code)


@app.command()
def verify(
    file: File,
    result: Annotated[str, typer.Argument(metavar="RESULT", help=(
        "An answer of solve --json, or - for standard input."))],
    as_json: Json = False,
) -> None:  # fmt: skip
    """Hold an answer against its problem file, by arithmetic of its own."""
    import stackopt
    from stackopt.verification.reading import read_answer

    if file == result == "-":
        raise ProblemError((Fault("RESULT", "standard input for both", "a file for one of them"),))
    problem = stackopt.read(file)
    try:
        held = stackopt.verify(problem, read_answer(result))
    except ProblemError as error:
        raise ProblemError(error.faults, result) from None
    (_json if as_json else _show)(held.to_dict() if as_json else str(held))
    raise typer.Exit(held.exit_code)


@app.command()
def schema() -> None:
    """The JSON Schema of a problem file."""
    import stackopt

    _json(stackopt.schema())


@app.command()
def new(file: Annotated[str, typer.Argument(metavar="FILE", help="The file to make; it must not exist.")]) -> None:
    """A commented starting file."""
    from stackopt.problem.starter import STARTER

    write_new(file, STARTER)
    _say(f"wrote {legible(file)}; fill in your machine, then: stackopt solve {legible(shlex.quote(file))}")


def _run() -> int | None:
    try:
        os.getcwd()
    except OSError as error:  # on some Pythons not even libraries load then
        raise ProblemError((Fault(None, f"no working folder: {error.strerror}", "one that exists"),)) from None
    try:
        code: int | None = app(standalone_mode=False)
        return code
    except OSError as error:
        try:
            sys.stdout.flush()  # of help; what could not be written is there still
        except OSError:
            raise _unwritable(error) from None
        raise
    except SystemExit:  # the one thing for which typer leaves by itself: its help found the pipe closed
        raise _ReaderGone from None


def _failed(error: Exception, as_json: bool) -> int:
    """Say what ended the whole command, and the exit code that goes with it."""
    try:
        return _faults(foreseen(error), getattr(error, "file", None), as_json)
    except KeyboardInterrupt:
        _say("interrupted")
        return 130


def main() -> None:
    """Run the command line and exit with its code."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # a name may not fit the terminal's encoding
    gc.disable()  # what the first answer loads lives to the end; collecting it costs a twentieth of the start
    as_json = "--json" in sys.argv[1:]
    if len(sys.argv) == 1:
        sys.argv.append("--help")
    try:
        code = _run() or 0
    except UsageError as error:
        said = error.format_message().replace("Value error, ", "").rstrip(".")
        fault = ProblemError((Fault(None, said, "a command as in 'stackopt --help'"),))
        code = _faults(fault, None, as_json)
    except (KeyboardInterrupt, typer.Abort):
        _say("interrupted")
        code = 130
    except _ReaderGone:
        _silence(sys.stdout)
        code = 128 + signal.SIGPIPE
    except Exception as error:
        code = _failed(error, as_json and sys.stdout is not None)
    solving = sys.modules.get("stackopt.optimise.mip")
    if solving and any(thread.name == solving.SOLVER for thread in threading.enumerate()):
        # A solver that did not stop when told to would bring the process down on its way out.
        for stream in (sys.stdout, sys.stderr):
            if stream is not None:
                stream.flush()
        os._exit(code)
    sys.exit(code)
