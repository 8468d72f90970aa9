"""What a command line said."""

import json
from collections import namedtuple

import pytest


class Run(namedtuple("Run", "code out err")):
    """Exit code, standard output and standard error; never a traceback, never a colour."""

    def __new__(cls, code, out, err):
        assert "Traceback" not in err + out, err
        assert "\x1b" not in out + err
        return super().__new__(cls, code, out, err)

    @property
    def json(self):
        return json.loads(self.out, parse_constant=pytest.fail)
