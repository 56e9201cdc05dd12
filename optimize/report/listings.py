"""The lists of figures and of materials."""

from layers.figures import QUANTITIES
from layers.materials import Catalogue
from layers.rules.screen import rule_sets
from layers.strike.swings import default_swings
from optimize.report.tables import Section, columns


def figures_sections() -> list[Section]:
    """List what can be asked for."""
    titles = {
        "body": "Figures of a ball or a stage",
        "swing": "Figures of a swing",
        "club": "Figures of a club, over its swings",
    }
    sections = []
    for of, title in titles.items():
        asked = {name: q for name, q in QUANTITIES.items() if q.of == of}
        if of == "body":
            heads = columns("name", "unit", "basis", "at", "~meaning")
            rows = [(n, q.unit, q.basis, _at(q.default), q.help) for n, q in asked.items()]
            sections.append(Section(title, heads, tuple(rows)))
        else:
            heads = columns("name", "unit", "basis", "~meaning")
            plain = [(n, q.unit, q.basis, q.help) for n, q in asked.items()]
            sections.append(Section(title, heads, tuple(plain)))
    swings = default_swings().swing
    clubs = dict.fromkeys(swing.club for swing in swings)
    notes = (
        "Another condition stands after @: cor@45 (m/s), deflection_mm@98-1275 (N).",
        "A stage, the innermost layers as a body of its own, stands before a dot: "
        "stage1.deflection_mm.",
        f"So does a swing, 'driver fast.spin_rpm', or a club: 'driver.carry_range_m'. Swings: "
        f"{', '.join(swing.name for swing in swings)}. Clubs: {', '.join(clubs)}.",
        "Rule sets: " + ", ".join(f"'{rules.name}'" for rules in rule_sets()) + ".",
    )
    return [*sections, Section("Names", notes=notes)]


def _at(values: tuple[float, ...]) -> str:
    return "-".join(f"{value:.5g}" for value in values)


def materials_sections(catalogue: Catalogue, sources: bool) -> list[Section]:
    """List the cards; with `sources`, where every number comes from."""
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
        "material", ">E, MPa", ">Poisson", ">g/cm3", ">stiffening", ">friction", "grade of E"
    )
    table = Section("Materials", heads, tuple(rows))
    if not sources:
        hint = "Where each number comes from: orbwright materials --sources (or --json)."
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
