"""Swings: strike conditions of player profiles and clubs, editable data with their provenance."""

import math
import re
from functools import cache
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from layers.errors import InputError, explain, find_named, refuse_twice
from layers.figures import QUANTITIES, FigureName
from layers.files.text import read_text
from layers.files.toml import parse_toml
from layers.materials import Grade

if TYPE_CHECKING:
    from layers.strike.strike import Strike

_NAME = re.compile(r"[a-z0-9]+(?: [a-z0-9]+)*")


class Swing(BaseModel):
    """How a club meets the ball, in the units that players and robots are set by."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    name: str = Field(
        min_length=1, max_length=60, description="lower-case words, as figure names use it"
    )
    club: str = Field(min_length=1, max_length=40, description="what is swung")
    profile: str = Field(min_length=1, max_length=40, description="who swings it")
    club_mass_g: float = Field(
        ge=20.0,
        le=2000.0,
        description="mass that takes part in the impact: the head, with no shaft",
        json_schema_extra={"unit": "g"},
    )
    club_speed_m_s: float = Field(
        ge=1.0,
        le=75.0,
        description="speed of the head just before impact",
        json_schema_extra={"unit": "m/s"},
    )
    dynamic_loft_deg: float = Field(
        ge=0.0,
        le=80.0,
        description="angle of the face's normal above the horizontal at impact",
        json_schema_extra={"unit": "deg"},
    )
    attack_angle_deg: float = Field(
        ge=-20.0,
        le=20.0,
        description="direction of the head above the horizontal; negative is downward",
        json_schema_extra={"unit": "deg"},
    )
    friction: float | None = Field(
        None,
        ge=0.0,
        le=2.0,
        description="Coulomb friction of this face at any speed; none takes the cover's own",
        json_schema_extra={"unit": "1"},
    )
    face_stiffness_kn_mm: float | None = Field(
        None,
        ge=0.5,
        le=1000.0,
        description="stiffness of the face's spring along its normal; none is rigid",
        json_schema_extra={"unit": "kN/mm"},
    )
    face_mass_g: float = Field(
        30.0,
        ge=1.0,
        le=500.0,
        description="part of the head's mass that moves with a springing face",
        json_schema_extra={"unit": "g"},
    )
    moi_g_cm2: float | None = Field(
        None,
        ge=50.0,
        le=20000.0,
        description="of the head about its heel-toe axis; none is a head that cannot turn",
        json_schema_extra={"unit": "g cm2"},
    )
    depth_mm: float = Field(
        0.0,
        ge=0.0,
        le=80.0,
        description="of the head's centre of mass behind the face, along the face's normal",
        json_schema_extra={"unit": "mm"},
    )
    impact_height_mm: float = Field(
        0.0,
        ge=-30.0,
        le=30.0,
        description="of the first touch above the centre of mass's projection on the face",
        json_schema_extra={"unit": "mm"},
    )
    roll_radius_mm: float | None = Field(
        None,
        ge=100.0,
        le=5000.0,
        description="of the face's curve from crown to sole; none is flat",
        json_schema_extra={"unit": "mm"},
    )
    surface: Literal["dry", "wet"] = Field(
        "dry", description="which of the cover's frictions counts when none is given here"
    )
    source: str = Field("not stated", description="where the numbers come from")
    grade: Grade = Field("unstated", description="how far the numbers can be trusted")

    @field_validator("name")
    @classmethod
    def _fits_in_a_figure_name(cls, name: str) -> str:
        if not _NAME.fullmatch(name) or re.fullmatch(r"stage\d+", name):
            raise ValueError(
                f"{name!r} must be lower-case words and digits with single spaces, "
                "like 'driver fast', and not 'stage' with a number"
            )
        return name

    @model_validator(mode="after")
    def _face_is_part_of_the_head(self) -> "Swing":
        if self.face_stiffness_kn_mm is not None and self.face_mass_g >= self.club_mass_g:
            raise ValueError(
                f"face_mass_g is {self.face_mass_g:g}, but must be below club_mass_g, "
                f"{self.club_mass_g:g}: the face is a part of the head"
            )
        return self

    @model_validator(mode="after")
    def _only_a_head_with_inertia_turns(self) -> "Swing":
        if self.moi_g_cm2 is None and (self.depth_mm or self.impact_height_mm):
            raise ValueError(
                f"moi_g_cm2 is missing, but depth_mm is {self.depth_mm:g} and impact_height_mm "
                f"{self.impact_height_mm:g}: without inertia the head does not turn about them"
            )
        if self.friction is not None and self.surface == "wet":
            raise ValueError(
                f"surface is 'wet', but friction is {self.friction:g}: give the friction of the "
                "wet face, or leave friction out and take the cover's"
            )
        return self

    @property
    def spin_loft_deg(self) -> float:
        """Angle between the face's normal and the head's direction, deg."""
        return self.dynamic_loft_deg - self.attack_angle_deg

    def strike(self) -> "Strike":
        """Return the same in SI, as the oblique impact takes it."""
        from layers.strike.strike import Strike  # compiled code: loaded when an impact is wanted

        stiffness = self.face_stiffness_kn_mm
        return Strike(
            club_mass=self.club_mass_g * 1e-3,
            club_speed=self.club_speed_m_s,
            dynamic_loft=math.radians(self.dynamic_loft_deg),
            attack_angle=math.radians(self.attack_angle_deg),
            friction=self.friction,
            face_stiffness=None if stiffness is None else stiffness * 1e6,
            face_mass=self.face_mass_g * 1e-3,
            inertia=None if self.moi_g_cm2 is None else self.moi_g_cm2 * 1e-7,
            depth=self.depth_mm * 1e-3,
            impact_height=self.impact_height_mm * 1e-3,
            roll_radius=None if self.roll_radius_mm is None else self.roll_radius_mm * 1e-3,
            surface=self.surface,
        )


class SwingTable(BaseModel):
    """A set of swings, each name once."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    swing: tuple[Swing, ...] = Field(min_length=1, description="the swings")

    @model_validator(mode="after")
    def _names_are_unique(self) -> "SwingTable":
        refuse_twice(self.swing, "swing")
        return self

    def find(self, name: str) -> Swing:
        """Return the swing of this name.

        Raises
        ------
        InputError
            If there is none; the message offers the nearest names.
        """
        return find_named(self.swing, name, "swing", "table")

    def of_club(self, name: str) -> tuple[str, ...]:
        """Return the names of a club's swings.

        Raises
        ------
        InputError
            If there are fewer than two, so that they have no spread; the clubs are told.
        """
        swings = tuple(s.name for s in self.swing if s.club == name)
        if len(swings) < 2:
            clubs = [s.club for s in self.swing]
            known = sorted({club for club in clubs if clubs.count(club) > 1})
            raise InputError(
                f"club {name!r} has {len(swings)} swings in the table, but a spread needs 2 or "
                f"more; clubs that have: {', '.join(known) or 'none'}."
            )
        return swings


def check_owner(name: FigureName, table: SwingTable) -> None:
    """Check that the swing or the club which a figure's name starts with stands in a table.

    Raises
    ------
    InputError
        If it does not; the nearest names are offered.
    """
    if name.swing is None:
        return
    if QUANTITIES[name.quantity].of == "club":
        table.of_club(name.swing)
    else:
        table.find(name.swing)


def swings_from_toml(text: str, what: str = "swings") -> SwingTable:
    """Read a table of swings: a TOML text with one ``[[swing]]`` table each.

    Parameters
    ----------
    text : str
        The TOML text.
    what : str
        Its name, for messages.

    Raises
    ------
    InputError
        On bad TOML, an unknown field or a value out of range.
    """
    try:
        return SwingTable.model_validate(parse_toml(text, what))
    except ValidationError as error:
        raise explain(error, what, tuple(Swing.model_fields)) from error


def read_swings(path: Path) -> SwingTable:
    """Read the user's own swings, which stand in place of the shipped ones.

    Raises
    ------
    InputError
        If the file is missing, unreadable, not TOML or not a table of swings.
    """
    text = read_text(path)
    return swings_from_toml(text, path.name)


@cache
def default_swings() -> SwingTable:
    """Return the swings that ship with orbwright: invented, typical, graded common practice."""
    text = resources.files("layers.strike").joinpath("swings.toml").read_text(encoding="utf-8")
    return swings_from_toml(text, "the shipped swings")


def find_swing(name: str, table: SwingTable | None = None) -> Swing:
    """Return the swing of this name from a table, or from the shipped one.

    Raises
    ------
    InputError
        If there is none; the message offers the nearest names.

    Examples
    --------
    >>> find_swing("wedge full moderate").spin_loft_deg
    46.0
    """
    return (table or default_swings()).find(name)
