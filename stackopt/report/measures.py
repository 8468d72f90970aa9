"""The units that an answer is shown in; the inside figures, and JSON, stay what they are."""

from typing import NamedTuple

from stackopt import units
from stackopt.physics.atmospheres import ATMOSPHERE
from stackopt.words import number


class Measures(NamedTuple):
    """Unit of a dose, of an air flow, of a pressure and of a volume of oil, as `units` spells them."""

    dose: str
    air: str
    pressure: str
    oil: str

    def dose_of(self, mL_per_h: float) -> str:
        """A dose without its unit.

        >>> MEASURES["us"].dose_of(29.5735295625)
        '1'
        """
        return number(units.to(mL_per_h / 60, self.dose, "dose"))

    def air_of(self, L_per_min: float, digits: int = 3) -> str:
        """An air flow without its unit.

        >>> MEASURES["normal"].air_of(1000.0)
        '55.2'
        """
        return number(units.to(L_per_min, self.air, "air flow"), digits)

    def pressure_of(self, bar_gauge: float) -> str:
        """A gauge pressure with its unit.

        >>> MEASURES["us"].pressure_of(6.0)
        '87.02 psi'
        """
        return f"{number(units.to(bar_gauge + ATMOSPHERE, self.pressure, 'pressure'))} {self.pressure}"

    def oil_of(self, mL: float) -> str:
        """A volume of oil with its unit.

        >>> MEASURES["metric"].oil_of(9.4248)
        '9.425 mL'
        """
        return f"{number(units.to(mL, self.oil, 'volume'))} {self.oil}"


MEASURES = {
    "metric": Measures("mL/h", "L/min", "bar", "mL"),
    "normal": Measures("mL/h", "Nm^3/h", "bar", "mL"),
    "us": Measures("US fl oz/h", "scfm", "psi", "US fl oz"),
}
METRIC = MEASURES["metric"]
# What an air flow in each unit is at.
REFERENCES = {"L/min": "air at ANR", "Nm^3/h": "air at 0 degC, 101.325 kPa", "scfm": "air at 14.5 psi absolute, 68 F"}
