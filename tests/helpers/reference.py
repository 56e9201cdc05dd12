"""Files in docs/ that are made from the schemas.

``python -m tests.helpers.reference`` writes them.
"""

from pathlib import Path

from optimize.reference.formats import FORMATS
from optimize.reference.page import reference_page
from optimize.reference.schema import schema_text, verdicts_schema_text

DOCS = Path(__file__).parents[2] / "docs"


def made() -> dict[Path, str]:
    """Return every file with its text."""
    schemas = {
        DOCS / "schemas" / f"{form.name}.schema.json": schema_text(form)
        for form in FORMATS
        if form.model
    }
    schemas[DOCS / "schemas" / "verdicts.schema.json"] = verdicts_schema_text()
    return {DOCS / "reference.md": reference_page(), **schemas}


if __name__ == "__main__":
    for path, text in made().items():
        path.write_text(text, encoding="utf-8")
