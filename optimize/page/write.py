"""The page as one HTML text: template, style, code and data in one file that fetches nothing.

Its content security policy lets the browser run the one script and the one style whose hashes it
names, and load nothing at all, from disk or network: an image is only what the page itself holds.
Names that come from a scenario are only ever
text: HTML-escaped here, set as text by the script.
"""

import base64
import hashlib
import html
import json
import re
from collections.abc import Sequence
from importlib import resources
from pathlib import Path
from typing import Any

from layers.files.paths import write_text

# Modules that make one script in this order, each after those that it imports.
_SHARED = ("elements.js", "numbers.js", "cross_section.js", "impact.js", "theme.js")
_SCRIPTS = (
    "base.js",
    "units.js",
    "tables.js",
    "charts.js",
    "pictures.js",
    "cross_sections.js",
    "differences.js",
    "scatter_axes.js",
    "scatter_marks.js",
    "glance.js",
    "verdicts.js",
    "notes.js",
    "slopes.js",
    "cards.js",
    "scatter.js",
    "parallel.js",
    "filters.js",
    "builds.js",
    "compare.js",
    "maps.js",
    "sensitivity.js",
    "flights.js",
    "impacts.js",
    "sources.js",
    "address.js",
    "start.js",
)
# What could end a script element early, or a string in an old parser, is written as an escape.
_ESCAPES = {
    "<": "\\u003c",
    ">": "\\u003e",
    "&": "\\u0026",
    "\u2028": "\\u2028",
    "\u2029": "\\u2029",
}

# For pages that show numbers in either unit.
UNITS_SWITCH = (
    '<label>Units <select id="units"><option value="metric">metric</option>'
    '<option value="trade">trade: in, oz, mph, yd</option></select></label> '
)


def page_html(data: dict[str, Any]) -> str:
    """Write the page.

    Parameters
    ----------
    data : dict
        From `optimize.page.data.page_data`.
    """
    words = {name: html.escape(data[name]) for name in ("title", "question", "summary")}
    places = {**words, "data": json_for_html(data), "skip": "short list"}
    places["switch"] = UNITS_SWITCH
    return filled("page.html", _SCRIPTS, places, own_style="run.css")


def filled(
    template: str, scripts: Sequence[str], words: dict[str, str], own_style: str = ""
) -> str:
    """Fill a template: head, style, script and content security policy are added.

    Parameters
    ----------
    template : str
        Name of an HTML file among the templates, which goes on where ``head.html`` ends.
    scripts : sequence of str
        Modules among the templates that make its script, after those that all pages share.
    words : dict of str to str
        HTML for each of the template's other places.
    own_style : str
        A style sheet among the templates, after the one that all pages share.
    """
    style = _text("optimize", "web", "page.css")
    if own_style:
        style += _text("optimize.page", "templates", own_style)
    script = _script(scripts)
    policy = "; ".join(
        (
            "default-src 'none'",
            f"script-src '{_hash(script)}'",
            f"style-src '{_hash(style)}'",
            "img-src data:",
            "base-uri 'none'",
            "form-action 'none'",
        )
    )
    words = {"policy": policy, "style": style, "script": script, **words}
    whole = "".join(_text("optimize.page", "templates", name) for name in ("head.html", template))
    pieces = whole.split("{{")
    # Each piece is filled once: what a name holds is never taken for a placeholder.
    return pieces[0] + "".join(
        words[name.strip()] + rest for name, _, rest in (p.partition("}}") for p in pieces[1:])
    )


def json_for_html(data: Any) -> str:
    """Write JSON that is safe in a script element, whatever its strings hold."""
    text = json.dumps(data, separators=(",", ":"), allow_nan=False, ensure_ascii=False)
    for sign, escape in _ESCAPES.items():
        text = text.replace(sign, escape)
    return text


def write_page(data: dict[str, Any], path: Path) -> int:
    """Write the page into a file; return its size in bytes.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    text = page_html(data)
    write_text(path, text)
    return len(text.encode())


def _script(scripts: Sequence[str]) -> str:
    """Join the modules to one script, in which what one exports is simply there for the others."""
    texts = [_text("optimize", "web", name) for name in _SHARED]
    texts += [_text("optimize.page", "templates", name) for name in scripts]
    parts = [re.sub(r"^(import .*;\n|export )", "", text, flags=re.MULTILINE) for text in texts]
    return '(() => {\n"use strict";\n' + "\n".join(parts) + "\n})();\n"


def _text(package: str, folder: str, name: str) -> str:
    return (resources.files(package) / folder / name).read_text(encoding="utf-8")


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
