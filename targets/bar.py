"""The bar: two cards at a known distance; the only thing that gives the scale."""

from dataclasses import dataclass

REFERENCE_TEMPERATURE_C = 20.0
"""ISO 1 reference temperature (from memory; NIST J. Res. 99:31, 1994, states the same)."""


@dataclass(frozen=True)
class Bar:
    """Two cards on a rigid bar.

    Attributes
    ----------
    cards : the ids of its two cards.
    length_mm : between the two card centres at 20 degrees C.
    U_mm : expanded uncertainty (k = 2) of that length.
    alpha_per_k : linear expansion of the bar's material.
    """

    cards: tuple[int, int]
    length_mm: float
    U_mm: float
    alpha_per_k: float

    def length_at_mm(self, temperature_c: float) -> float:
        """Length at a temperature: L (1 + alpha (T - 20)).

        NIST Engineering Metrology Toolbox: 1 m of aluminium at 30 degrees C grows by 0.231 mm.

        >>> round(Bar((1, 2), 1000.0, 0.1, 23.1e-6).length_at_mm(30.0), 3)
        1000.231
        """
        return self.length_mm * (1.0 + self.alpha_per_k * (temperature_c - REFERENCE_TEMPERATURE_C))
