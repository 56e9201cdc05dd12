"""What the page's switch of units needs: one table of conversions, and its sentences in both."""

from collections.abc import Iterator
from typing import Any

from optimize.report.units import SYSTEMS, by_metric_unit, chosen, converted_text

# Names, files and whole texts of others, which no unit changes.
_KEPT = ("toml", "scenario", "key", "keys", "id", "name", "run", "title", "choices", "roles")


def units_record(data: Any) -> dict[str, Any]:
    """Return the conversions by metric unit, and the trade's text of each sentence that has one.

    Parameters
    ----------
    data : dict
        All else that the page shows, in metric units.
    """
    texts = {text: trade for text in _texts(data) if (trade := converted_text(text)) != text}
    return {
        "systems": SYSTEMS,
        "system": chosen(),
        "trade": by_metric_unit({n: f["unit"] for n, f in data["figures"].items()}),
        "texts": texts,
    }


def _texts(data: Any) -> Iterator[str]:
    if isinstance(data, str):
        yield data
    elif isinstance(data, dict):
        for key, value in data.items():
            if key not in _KEPT:
                yield from _texts(value)
    elif isinstance(data, list | tuple):
        for value in data:
            yield from _texts(value)
