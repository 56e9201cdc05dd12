"""A material card and a swing to start from."""

from layers.errors import InputError
from layers.families import families
from layers.files.toml import toml_value
from layers.strike.swings import default_swings

# Poisson's ratio and density, g/cm3, of a family's shipped cards.
_USUAL = {"rubber": (0.49, 1.15), "ionomer": (0.45, 0.96), "urethane": (0.48, 1.15)}


def materials_text(name: str, family: str, modulus_mpa: float) -> str:
    """Write a file with one material card.

    Parameters
    ----------
    name : str
        The card's name.
    family : str
        rubber, ionomer or urethane: fills in loss, friction and dynamic modulus ratio.
    modulus_mpa : float
        Young's modulus, slow, MPa.

    Raises
    ------
    InputError
        If the family is not known.
    """
    if family not in families():
        known = ", ".join(families())
        raise InputError(f"family is {family!r}, but must be one of: {known}.")
    poisson, density = _USUAL[family]
    return f"""\
# Material cards of your own: a scenario names this file as its catalogue; a ball holds a copy.
# Every key with unit and range: orbwright keys materials. A number may say where it comes from.
[[material]]
name = {toml_value(name)}
family = "{family}"  # fills in what the card does not state: loss, friction, dynamic modulus ratio
youngs_modulus_mpa = {{ value = {modulus_mpa:g}, source = "not stated", grade = "unstated" }}
# shore_d = 45 in place of youngs_modulus_mpa is good to +-40 %
poisson_ratio = {poisson:g}
density_g_cm3 = {density:g}
# dynamic_modulus_ratio = 1.3  # at impact over slow
# friction = 0.4
# relaxation = [{{ strength = 0.2, time_us = 120 }}]  # loss: decaying part of the modulus
"""


def swings_text(name: str, like: str, club_speed_m_s: float | None) -> str:
    """Write a file with one swing.

    Parameters
    ----------
    name : str
        The swing's name, lower-case words.
    like : str
        The shipped swing whose numbers it starts with.
    club_speed_m_s : float or None
        Its own head speed, m/s; None keeps that swing's.

    Raises
    ------
    InputError
        If there is no such shipped swing.
    """
    shipped = default_swings().find(like)
    speed = shipped.club_speed_m_s if club_speed_m_s is None else club_speed_m_s
    own = {
        "name": name,
        "club_speed_m_s": speed,
        "source": f"started from {like!r}",
        "grade": "unstated",
    }
    fields = shipped.model_dump(exclude_none=True, exclude_defaults=True) | own
    keys = [f"{key} = {toml_value(value)}" for key, value in fields.items()]
    return "\n".join(
        [
            "# Swings of your own stand in place of the shipped ones: orbwright estimate BALL",
            '# --swings FILE, or swings = "FILE" under [conditions] of a scenario.',
            "# Every key with unit and range: orbwright keys swings.",
            "[[swing]]",
            *keys,
            "",
        ]
    )
