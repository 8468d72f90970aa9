"""How hypothesis draws its cases, and a command line run in this process.

Cases are the same ones each time; with HYPOTHESIS_PROFILE=long many more, with quick fewer.
Tests take the number of their examples from `settings().max_examples`, so that the profile scales them all.
"""

import io
import os
import signal
import types

import pytest
from commands import Run
from hypothesis import HealthCheck, settings

from stackopt import cli

COMMON = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow]}
settings.register_profile("default", **COMMON, max_examples=16, derandomize=True)
settings.register_profile("quick", **COMMON, max_examples=12, derandomize=True)
settings.register_profile("long", **COMMON, max_examples=2000, print_blob=True)
signal.signal(signal.SIGINT, signal.default_int_handler)  # in the background it is ignored, and some tests send it
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "default"))


@pytest.fixture
def run(capfd, monkeypatch):
    """Run a command line in this process."""

    def call(*words, stdin=None):
        monkeypatch.setattr("sys.argv", ["stackopt", *words])
        if stdin is not None:
            monkeypatch.setattr("sys.stdin", types.SimpleNamespace(buffer=io.BytesIO(stdin.encode())))
        capfd.readouterr()
        with pytest.raises(SystemExit) as caught:
            cli.main()
        seen = capfd.readouterr()
        return Run(caught.value.code, seen.out, seen.err)

    return call
