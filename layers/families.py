"""Families of materials: dynamic modulus, loss and friction of a card that states none itself."""

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

NUMBERS = ("dynamic_modulus_ratio", "friction", "friction_wet", "friction_half_speed_m_s")


@dataclass(frozen=True)
class Law:
    """value * (E / at)^exponent, E in MPa, from lowest to highest, with its source and grade."""

    value: float
    at: float
    exponent: float
    lowest: float
    highest: float
    source: str
    grade: str

    def of(self, modulus: float) -> float:
        """Return the number at a modulus, MPa.

        Examples
        --------
        >>> law = Law(1.0, 50.0, 0.5, 10.0, 200.0, "", "")
        >>> law.of(200.0), law.of(800.0)
        (2.0, 2.0)
        """
        within = min(max(modulus, self.lowest), self.highest)
        return float(self.value * (within / self.at) ** self.exponent)


@dataclass(frozen=True)
class Family:
    """What one family says of its cards.

    Attributes
    ----------
    name : str
    number : dict of str to Law
        By the card's field, those of `NUMBERS`.
    strength : Law
        Decaying modulus over the dynamic one, of one relaxation pair.
    time_us : float
        Its time, us.
    time_source : str
    """

    name: str
    number: dict[str, Law]
    strength: Law
    time_us: float
    time_source: str

    def fields(self, modulus: float) -> dict[str, Any]:
        """Fields of a card of this modulus, MPa, each number with source and grade."""
        told = f"{self.name} family at {modulus:g} MPa: "
        filled: dict[str, Any] = {
            name: {"value": law.of(modulus), "source": told + law.source, "grade": law.grade}
            for name, law in self.number.items()
        }
        pair = {"strength": self.strength.of(modulus), "time_us": self.time_us}
        filled["relaxation"] = (pair,)
        filled["relaxation_source"] = f"{told}{self.strength.source}; time: {self.time_source}"
        filled["relaxation_grade"] = self.strength.grade
        return filled


def _family(row: dict[str, Any]) -> Family:
    def law(field: str) -> Law:
        told = row[field]
        return Law(
            value=float(told["value"]),
            at=float(row["at_modulus_mpa"]),
            exponent=float(told.get("exponent", 0.0)),
            lowest=float(row["range_mpa"][0]),
            highest=float(row["range_mpa"][1]),
            source=told["source"],
            grade=told["grade"],
        )

    return Family(
        name=row["name"],
        number={field: law(field) for field in NUMBERS},
        strength=law("strength"),
        time_us=float(row["time_us"]),
        time_source=row["time_source"],
    )


@cache
def families() -> dict[str, Family]:
    """Return the shipped families by name."""
    text = resources.files("layers").joinpath("families.toml").read_text(encoding="utf-8")
    return {row["name"]: _family(row) for row in tomllib.loads(text)["family"]}
