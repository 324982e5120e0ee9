"""Numbers as a person reads them: millimetres or inches, decimal point or comma, digits as u deserves.

Values carry two significant digits of their u (JCGM 100, 7.2.6). Angles are in degrees always.
"""

import math
import re
from dataclasses import dataclass
from typing import Literal

from vision.advice import INCHES, MILLIMETRES, Units

LengthUnit = Literal["mm", "in"]
DecimalMark = Literal[".", ","]

MINUS = "\N{MINUS SIGN}"
NO_BREAK = "\N{NO-BREAK SPACE}"
_POINT = re.compile(r"(?<=\d)\.(?=\d)")
# The sign of a number; what stands between two words or numbers is a hyphen, or a range.
_SIGN = re.compile(r"(?<![\w.\-])-(?=\d)")
SHOWN_HEADER = "X-Shown-In"


def shown_in(said: str) -> "Figures":
    """How numbers are to be shown, as a page tells it with what it sends: `in_comma`; else as ever."""
    unit, _, mark = said.partition("_")
    return Figures("in" if unit == "in" else "mm", "," if mark == "comma" else ".")


@dataclass(frozen=True)
class Figures:
    """How this device shows numbers.

    Attributes:
        unit: Of lengths.
        mark: Between the whole and the rest.
    """

    unit: LengthUnit = "mm"
    mark: DecimalMark = "."

    @property
    def units(self) -> Units:
        """The core's wording of lengths in this unit."""
        return INCHES if self.unit == "in" else MILLIMETRES

    def unit_of(self, key: str) -> str:
        """The sign of the unit in which a value of this name is shown."""
        return "°" if key.endswith("_deg") else self.unit

    def with_unit(self, key: str, figure: str) -> str:
        """A figure with its unit, which stays on its line; a degree sign stands close."""
        return f"{figure}°" if key.endswith("_deg") else f"{figure}{NO_BREAK}{self.unit}"

    def per(self, key: str) -> float:
        """What a value of this name is divided by before it is shown."""
        return 1.0 if key.endswith("_deg") else self.units.mm

    def number(self, value: float, decimals: int) -> str:
        """A number with so many decimals, never "-0"."""
        text = f"{value:.{decimals}f}"
        if float(text) == 0:
            text = text.lstrip("-")
        return self.words(text.replace("-", MINUS))

    def plain(self, value: float) -> str:
        """A number as it was entered: no more digits than it has."""
        return self.words(f"{value:.7g}".replace("-", MINUS))

    def value(self, key: str, value: float, u: float) -> str:
        """A measured value, without its unit."""
        per = self.per(key)
        return self.number(value / per, decimals_for(u / per))

    def u(self, key: str, u: float) -> str:
        """A standard uncertainty, two significant digits."""
        per = self.per(key)
        return self.number(u / per, max(decimals_for(u / per), 0))

    def given(self, key: str, value: float) -> str:
        """A nominal value or a limit, as it was entered; in inches to the third decimal."""
        if self.per(key) == 1.0:
            return self.plain(value)
        return self.plain(round(value / self.per(key), 3))

    def deserved(self, key: str, value: float, u: float) -> str:
        """A figure as it was entered or taught, with no more digits than its u deserves."""
        per = self.per(key)
        return self.plain(round(value / per, decimals_for(u / per)))

    def given_u(self, key: str, u: float) -> str:
        """A declared standard uncertainty: three digits at most, which rounding up has not lost."""
        return self.plain(float(f"{u / self.per(key):.3g}"))

    def bare_length(self, length_mm: float) -> str:
        """A declared length without its unit, as a form's field holds it."""
        return self.given("_mm", length_mm)

    def length(self, length_mm: float) -> str:
        """A declared length with its unit."""
        return self.with_unit("_mm", self.bare_length(length_mm))

    def words(self, text: str) -> str:
        """A sentence or a number with this device's decimal mark; lengths that it tells in its unit.

        Results keep the core's sentences as they were made, in millimetres.
        """
        text = _SIGN.sub(MINUS, self.units.words(text, NO_BREAK))
        return _POINT.sub(",", text) if self.mark == "," else text


def decimals_for(u: float) -> int:
    """Decimals that show two significant digits of u."""
    return max(0, 1 - math.floor(math.log10(u))) if u > 0 else 1
