"""A scale: figures as places, and the round figures that are written along it."""

import math
from dataclasses import dataclass
from itertools import pairwise

from stackopt.words import number


@dataclass(frozen=True)
class Scale:
    """Figures from low to high, above 0 where logarithmic, as px from left to right."""

    low: float
    high: float
    left: float
    right: float
    log: bool = False

    def __call__(self, value: float) -> float:
        """The place of a figure [px].

        >>> Scale(0, 10, 100, 200)(5), round(Scale(1, 100, 100, 200, log=True)(10), 9)
        (150.0, 150.0)
        """
        low, high = (math.log(self.low), math.log(self.high)) if self.log else (self.low, self.high)
        share = ((math.log(value) if self.log else value) - low) / (high - low)
        return self.left + share * (self.right - self.left)

    def ticks(self) -> list[tuple[float, str]]:
        """Round figures along the scale, each as it is written: with as many digits as tell them apart.

        >>> Scale(0, 1, 100, 400).ticks()
        [(0.0, '0'), (0.5, '0.5'), (1.0, '1')]
        """
        found = self._decades() if self.log else self._even()
        for digits in range(4, 12):
            said = [number(value, digits) for value in found]
            if len(set(said)) == len(said):
                break
        return list(zip(found, said, strict=True))

    def _decades(self) -> list[float]:
        decades = range(math.floor(math.log10(self.low)), math.ceil(math.log10(self.high)) + 1)
        for parts in ((1, 1.5, 2, 3, 4, 5, 6, 8), (1, 2, 3, 5), (1, 2, 5), (1, 3), (1,)):
            found = [p * 10.0**d for d in decades for p in parts]
            found = [v for v in found if self.low * (1 - 1e-9) <= v <= self.high * (1 + 1e-9)]
            if all(self(b) - self(a) >= 32 for a, b in pairwise(found)):
                break
        else:
            found = found[:: len(found) // 10 + 1]
        return found if len(found) >= 3 else self._even()

    def _even(self) -> list[float]:
        least = (self.high - self.low) * (70 if self.right > self.left else 40) / abs(self.right - self.left)
        power = 10.0 ** math.floor(math.log10(least))
        step = next(part * power for part in (1, 2, 5, 10) if part * power >= least * (1 - 1e-9))
        first, last = math.ceil(self.low / step - 1e-9), math.floor(self.high / step + 1e-9)
        return [k * step for k in range(first, last + 1)]
