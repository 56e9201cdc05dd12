"""Swings: strike conditions of player profiles and clubs, editable data with their provenance."""

import math
import re
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from pydantic import Field, field_validator, model_validator

from layers.errors import InputError, exact
from layers.figures import QUANTITIES, FigureName
from layers.files.cards import Cards
from layers.files.fields import Table, numeric
from layers.files.paths import StrPath
from layers.files.text import Name, Text, read_text
from layers.materials import Grade

if TYPE_CHECKING:
    from layers.strike.launch import Strike

_NAME = re.compile(r"[a-z0-9]+(?: [a-z0-9]+)*")


class Swing(Table):
    """How a club meets the ball, in the units that players and robots are set by."""

    name: str = Field(
        min_length=1, max_length=60, description="lower-case words, as figure names use it"
    )
    club: Name = Field(min_length=1, max_length=40, description="what is swung")
    profile: Name = Field(min_length=1, max_length=40, description="who swings it")
    club_mass_g: float = numeric(
        "g", "mass that takes part in the impact: the head, with no shaft", 20.0, 2000.0
    )
    club_speed_m_s: float = numeric("m/s", "speed of the head just before impact", 1.0, 75.0)
    dynamic_loft_deg: float = numeric(
        "deg", "angle of the face's normal above the horizontal at impact", 0.0, 80.0
    )
    attack_angle_deg: float = numeric(
        "deg", "direction of the head above the horizontal; negative is downward", -20.0, 20.0
    )
    friction: float | None = numeric(
        "1",
        "Coulomb friction of this face at any speed; none takes the cover's own",
        0.0,
        2.0,
        None,
    )
    face_stiffness_kn_mm: float | None = numeric(
        "kN/mm",
        "stiffness of the face's spring along its normal; none is rigid",
        0.5,
        1000.0,
        None,
    )
    face_mass_g: float = numeric(
        "g", "part of the head's mass that moves with a springing face", 1.0, 500.0, 30.0
    )
    moi_g_cm2: float | None = numeric(
        "g cm2",
        "of the head about its heel-toe axis; none is a head that cannot turn",
        50.0,
        20000.0,
        None,
    )
    depth_mm: float = numeric(
        "mm", "of the head's centre of mass behind the face, along the face's normal", 0, 80, 0.0
    )
    impact_height_mm: float = numeric(
        "mm", "of the first touch above the centre of mass's projection on the face", -30, 30, 0.0
    )
    roll_radius_mm: float | None = numeric(
        "mm", "of the face's curve from crown to sole; none is flat", 100, 5000, None
    )
    surface: Literal["dry", "wet"] = Field(
        "dry", description="which of the cover's frictions counts when none is given here"
    )
    source: Text = Field("not stated", description="where the numbers come from")
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
                f"face_mass_g is {exact(self.face_mass_g)}, but must be below club_mass_g, "
                f"{exact(self.club_mass_g)}: the face is a part of the head"
            )
        return self

    @model_validator(mode="after")
    def _only_a_head_with_inertia_turns(self) -> "Swing":
        if self.moi_g_cm2 is None and (self.depth_mm or self.impact_height_mm):
            raise ValueError(
                f"moi_g_cm2 is missing, but depth_mm is {exact(self.depth_mm)} and "
                f"impact_height_mm {exact(self.impact_height_mm)}: without inertia "
                "the head does not turn about them"
            )
        if self.friction is not None and self.surface == "wet":
            raise ValueError(
                f"surface is 'wet', but friction is {exact(self.friction)}: give the friction of "
                "the wet face, or leave friction out and take the cover's"
            )
        return self

    @property
    def spin_loft_deg(self) -> float:
        """Angle between the face's normal and the head's direction, deg."""
        return self.dynamic_loft_deg - self.attack_angle_deg

    def strike(self) -> "Strike":
        """Return the same in SI, as the oblique impact takes it."""
        from layers.strike.launch import Strike

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


class SwingTable(Cards[Swing]):
    """A set of swings, each name once."""

    kind = "swing"
    place = "table"

    swing: tuple[Swing, ...] = Field(min_length=1, description="the swings")

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

    def of_figure(self, name: FigureName) -> tuple[str, ...]:
        """Return the names of the swings that a figure is of: its own, or all of its club."""
        if name.swing is None:
            return ()
        of_club = QUANTITIES[name.quantity].of == "club"
        return self.of_club(name.swing) if of_club else (name.swing,)


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


def read_swings(path: StrPath) -> SwingTable:
    """Read the user's own swings, which stand in place of the shipped ones.

    Raises
    ------
    InputError
        If the file is missing, unreadable, not TOML or not a table of swings.
    """
    path = Path(path)
    text = read_text(path)
    return SwingTable.from_toml(text, path.name)


@cache
def default_swings() -> SwingTable:
    """Return the swings that ship with orbwright: invented, typical, graded common practice."""
    return SwingTable.shipped("layers.strike", "swings.toml")


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
