"""The lists of figures and of materials."""

from layers.figures import QUANTITIES
from layers.materials import Catalogue
from layers.rules.screen import rule_sets
from layers.strike.swings import default_swings
from optimize.report.tables import Section, columns

_OF = {
    "body": "Figures of a ball or a stage",
    "swing": "Figures of a swing",
    "club": "Figures of a club, over its players",
}


def figures_sections() -> list[Section]:
    """List the figures: names, labels, symbols, units, synonyms, meaning, and how they are typed.

    docs/words.md is this list as Markdown.
    """
    return [
        *(_names_section(of, title) for of, title in _OF.items()),
        _meaning_section(),
        _writing_section(),
    ]


def _names_section(of: str, title: str) -> Section:
    rows = [
        (name, known.symbol, known.printed_unit, known.label, ", ".join(known.synonyms))
        for name, known in QUANTITIES.items()
        if known.of == of
    ]
    heads = columns("name", "symbol", "unit", "~label", "~synonyms")
    return Section(title, heads, tuple(rows))


def _meaning_section() -> Section:
    rows = [
        (name, known.basis, _at(known.default), known.help) for name, known in QUANTITIES.items()
    ]
    return Section("What they are", columns("name", "basis", "at", "~meaning"), tuple(rows))


def _writing_section() -> Section:
    swings = default_swings().swing
    clubs = dict.fromkeys(swing.club for swing in swings)
    notes = (
        "Names, labels and synonyms are read alike, in upper or lower case: cor, COR, impact speed "
        "ratio. A synonym of two figures is refused, with the candidates. Files and records keep "
        "the name.",
        "Another condition follows @: cor@45 (m/s), deflection_mm@98-1275 (N).",
        "A stage, the innermost layers as a body of its own, precedes a dot: stage1.deflection_mm.",
        f"So does a swing, 'driver fast.spin_rpm', or a club: 'driver.carry_range_m'. Swings: "
        f"{', '.join(swing.name for swing in swings)}. Clubs: {', '.join(clubs)}.",
        "Rule sets: " + ", ".join(f"'{rules.name}'" for rules in rule_sets().cards) + ".",
    )
    return Section("How to write them", notes=notes)


def _at(values: tuple[float, ...]) -> str:
    return "-".join(f"{value:.5g}" for value in values)


def materials_sections(catalogue: Catalogue, sources: bool) -> list[Section]:
    """List the cards; with `sources`, the source of every number."""
    rows = [
        (
            card.name,
            f"{card.youngs_modulus_mpa.value:g}",
            f"{card.poisson_ratio.value:g}",
            f"{card.density_g_cm3.value:g}",
            f"{card.dynamic_modulus_ratio.value:g}",
            f"{card.friction.value:g}",
            card.youngs_modulus_mpa.grade,
        )
        for card in catalogue.material
    ]
    heads = columns(
        "material", ">E, MPa", ">Poisson", ">g/cm³", ">dynamic/static", ">friction", "grade of E"
    )
    table = Section("Materials", heads, tuple(rows))
    if not sources:
        hint = (
            "dynamic/static: ratio of the moduli. Sources: orbwright materials --sources, --json."
        )
        return [table, Section("", notes=(hint,))]
    return [table, *(_sources_section(catalogue, i) for i in range(len(catalogue.material)))]


def _sources_section(catalogue: Catalogue, index: int) -> Section:
    card = catalogue.material[index]
    rows = []
    for field, value in card:
        if hasattr(value, "source"):
            rows.append((field, f"{value.value:g}", value.grade, value.source))
    pairs = ", ".join(f"{p.strength:g} in {p.time_us:g} us" for p in card.relaxation) or "none"
    rows.append(("relaxation", pairs, card.relaxation_grade, card.relaxation_source))
    return Section(card.name, columns("number", ">value", "grade", "~source"), tuple(rows))
