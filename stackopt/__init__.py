"""Settings for stacked metering pumps in near-dry machining: computed, proved and explained.

>>> import stackopt
>>> sorted(stackopt.__all__)[:4]
['Check', 'Fault', 'Plant', 'Problem']
"""

from importlib import import_module
from typing import Any

from stackopt.version import VERSION as __version__

# Each name with the module that holds it, imported when first used: `import stackopt` itself stays light.
_HOMES = {
    "read": "stackopt.problem.files",
    "schema": "stackopt.problem.files",
    "Problem": "stackopt.problem.model",
    "solve": "stackopt.result",
    "rates": "stackopt.bands",
    "check": "stackopt.today",
    "tradeoff": "stackopt.plans",
    "split": "stackopt.groups",
    "keep": "stackopt.today",
    "calibrate": "stackopt.calibration",
    "at_rate": "stackopt.tryout",
    "plant": "stackopt.fleet.works",
    "verify": "stackopt.verification.answer",
    "Result": "stackopt.result",
    "Rates": "stackopt.bands",
    "Check": "stackopt.today",
    "Tradeoff": "stackopt.plans",
    "Split": "stackopt.groups",
    "Plant": "stackopt.fleet.works",
    "Weighings": "stackopt.weighings",
    "Trials": "stackopt.trials",
    "Verification": "stackopt.verification.answer",
    "Fault": "stackopt.errors",
    "StackoptError": "stackopt.errors",
    "ProblemError": "stackopt.errors",
    "SolverError": "stackopt.errors",
}
__all__ = ["Check", "Fault", "Plant", "Problem", "ProblemError", "Rates", "Result", "SolverError", "Split",
           "StackoptError", "Tradeoff", "Trials", "Verification", "Weighings", "__version__", "at_rate", "calibrate",
           "check", "keep", "plant", "rates", "read", "schema", "solve", "split", "tradeoff", "verify"]  # fmt: skip


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'stackopt' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)
