"""A scenario to start from: layers to vary, two or more goals in the trade's words, the rules."""

from dataclasses import dataclass

from layers.errors import InputError
from layers.files.toml import toml_value
from optimize.templates.ball import DIAMETER_MM, MASS_G, roles

PLAYERS = ("slow", "moderate", "fast")


@dataclass(frozen=True)
class Wish:
    """What a ball shall be good at: the figure and where it shall go; {player} is put in."""

    figure: str
    aim: str
    told: str


WISHES: dict[str, Wish] = {
    "distance": Wish("driver {player}.carry_m", "maximize", "carry off the driver"),
    "ball speed": Wish("cor@43.83", "maximize", "impact speed ratio (COR) at test speed"),
    "soft feel": Wish("deflection_mm", "maximize", "deflection between plates"),
    "gentle strike": Wish("peak_force_n@43.83", "minimize", "peak force on a rigid barrier"),
    "greenside spin": Wish("wedge half {player}.spin_rpm", "maximize", "spin of the half wedge"),
    "low driver spin": Wish("driver {player}.spin_rpm", "minimize", "spin off the driver"),
}

# What varies in a layer of each role; a comment says what the numbers mean.
_CORE = """\
material = "core rubber, medium"
youngs_modulus_mpa = [{low}, {high}]  # what the recipe and the press cycle can reach
youngs_modulus_increment_mpa = 2
"""
_INNER_CORE = _CORE + "density_g_cm3 = 1.14\ndiameter_mm = [18.0, 32.0]\n"
_OUTER_CORE = _CORE + "thickness_mm = [3.5, 10.0]\nincrement_mm = 0.5\n"
_ONE_CORE = _CORE + "diameter_mm = [{least}, {most}]  # what the layers outside may leave\n"
_MANTLE = """\
material = ["ionomer, soft", "ionomer, medium", "ionomer, firm"]  # the search chooses one
thickness_mm = [0.8, {thick}]
increment_mm = 0.1  # the step in which a mould can be made
"""
_COVER = """\
material = ["urethane, very soft", "urethane, soft", "urethane, medium", "ionomer, medium"]
thickness_mm = [0.6, {thick}]
increment_mm = 0.1
"""


def wishes(names: list[str], player: str) -> list[Wish]:
    """Return the goals of these names, of one player.

    Raises
    ------
    InputError
        If a name is none of `WISHES` or comes twice, there are none or more than four, or the
        player is none of `PLAYERS`.
    """
    if player not in PLAYERS:
        raise InputError(f"player is {player!r}, but must be one of: {', '.join(PLAYERS)}.")
    plain = [" ".join(name.lower().split()) for name in names]
    for name in plain:
        if name not in WISHES:
            raise InputError(f"goal {name!r} is not known; choose from: {', '.join(WISHES)}.")
    if not 1 <= len(plain) <= 4 or len(set(plain)) < len(plain):
        raise InputError(f"goals are {', '.join(plain) or 'none'}; name one to four, each once.")
    found = [WISHES[name] for name in plain]
    return [Wish(w.figure.format(player=player), w.aim, w.told) for w in found]


def scenario_text(name: str, count: int, goals: list[str], player: str, builds: int) -> str:
    """Write a scenario file.

    Parameters
    ----------
    name : str
        The scenario's name.
    count : int
        Number of layers, from 2.
    goals : list of str
        Of `WISHES`.
    player : str
        Of `PLAYERS`.
    builds : int
        How many builds to compute.

    Raises
    ------
    InputError
        If an answer cannot be.
    """
    wanted, parts = wishes(goals, player), roles(count)
    if count < 2:
        raise InputError("layers is 1, but a search needs 2 or more: there is nothing to trade.")
    filled = parts.index("outer core") if "outer core" in parts else 0
    tables = [_head(name, wanted, builds, filled + 1)]
    tables += [f'[[layer]]\nrole = "{role}"\n{_variables(role, parts)}' for role in parts]
    for wish in wanted:
        tables.append(f'[[goal]]  # {wish.told}\nfigure = "{wish.figure}"\naim = "{wish.aim}"\n')
    tables.append(_limit(wanted))
    return "\n".join(tables)


def _head(name: str, wanted: list[Wish], builds: int, filled: int) -> str:
    first, *others = (wish.told for wish in wanted)
    question = f"What does {first} cost in {' and '.join(others)}?" if others else f"Best {first}?"
    return f"""\
# A brief for a search: change what you like; ranges, goals and limits are a start, not advice.
# Every key with unit and range: orbwright keys scenario. Then: orbwright search FILE.
name = {toml_value(name)}
question = {toml_value(question)}
rules = "mass and diameter"  # "present" adds the initial velocity: wise once cards are calibrated
seed = 1  # the same seed gives the same answer
method = "emulator"  # {builds} builds then do the work of many more; "direct" needs no trust in it
evaluations = {builds}

[ball]
outer_diameter_mm = {DIAMETER_MM}

# Filler in this layer brings every build to the same mass, just under the limit.
[fill]
layer = {filled}
mass_g = {MASS_G}
density_g_cm3 = [1.02, 1.35]
"""


def _variables(role: str, parts: tuple[str, ...]) -> str:
    mantles = parts.count("mantle")
    thick = {0: 2.0, 1: 2.0, 2: 1.6}.get(mantles, 1.2)
    cover = 2.2 if len(parts) == 2 else 1.4
    if role == "core":
        # The walls outside leave the core this much.
        most = DIAMETER_MM - 2.0 * (0.6 + 0.8 * mantles)
        least = DIAMETER_MM - 2.0 * (cover + thick * mantles)
        return _ONE_CORE.format(low=24, high=90, least=f"{least:.1f}", most=f"{most:.1f}")
    if role == "mantle":
        return _MANTLE.format(thick=thick)
    if role == "cover":
        return _COVER.format(thick=cover)
    text, low, high = (_INNER_CORE, 20, 60) if role == "inner core" else (_OUTER_CORE, 36, 96)
    return text.format(low=low, high=high)


def _limit(wanted: list[Wish]) -> str:
    soft = any(wish.figure == "deflection_mm" for wish in wanted)
    least, most = (2.2, 5.5) if soft else (2.2, 4.2)
    return f"""\
[[limit]]  # from firm to soft, between plates, 10 to 130 kgf; take out what does not bind you
figure = "deflection_mm"
at_least = {least}
at_most = {most}
"""
