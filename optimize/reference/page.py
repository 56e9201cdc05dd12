"""The reference as tables: on a screen, and as docs/reference.md."""

from collections.abc import Iterator

from optimize.reference.formats import FORMATS, Format, measured_figures
from optimize.reference.keys import key_tables
from optimize.report.tables import Section, columns, markdown

_HEADS = columns("key", "type", "unit", "allowed", "default", "~example", "~meaning")
_FIGURES = columns("figure", "unit", ">from", ">to", "~meaning")


def format_sections(form: Format) -> list[Section]:
    """Tabulate every key of a kind of file.

    Parameters
    ----------
    form : Format
        Which kind of file.
    """
    return list(_sections(form))


def _sections(form: Format) -> Iterator[Section]:
    for table in key_tables(form):
        rows = tuple(
            (k.name, k.kind, k.unit, k.allowed, k.default, k.example, k.help) for k in table.keys
        )
        note = (table.help,) if table.help else ()
        yield Section(table.heading or "top of the file", _HEADS, rows, note)
    if form.name in ("measurements", "launches"):
        figures = tuple(measured_figures(swing=form.name == "launches"))
        yield Section("figures that are read", _FIGURES, figures)


def overview() -> list[Section]:
    """List the kinds of files."""
    rows = tuple((f.name, "TOML" if f.model else "CSV", f.what) for f in FORMATS)
    return [Section("Files that orbwright reads", columns("name", "", "~what it is"), rows)]


def reference_page() -> str:
    """Write docs/reference.md."""
    parts = [
        "# Reference of every file\n",
        "Every key of every file that orbwright reads, with its type, unit, allowed range, default "
        "and an example. A key without a default is required. `orbwright keys NAME` prints the "
        "same, `orbwright keys NAME --example` a whole file to start from, and `--schema` a JSON "
        "Schema for editors, also in [docs/schemas](schemas). This page is made from the schemas "
        "that read the files.\n",
    ]
    for form in FORMATS:
        parts.append(f"## {form.name}: {form.what}\n")
        text = markdown(format_sections(form))
        parts.append(text.replace("\n## ", "\n### ").replace("## ", "### ", 1))
        kind = "toml" if form.model else ""
        parts.append(f"A whole file:\n\n```{kind}\n{form.example}```\n")
    return "\n".join(parts)
