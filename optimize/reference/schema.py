"""JSON Schema of the TOML files, for editors that complete and check."""

import json
from typing import Any

from pydantic import TypeAdapter

from optimize.reference.formats import Format, Schema
from optimize.verdicts.verdicts import Verdicts

_DIALECT = "https://json-schema.org/draft/2020-12/schema"


def file_schema(form: Format) -> Schema:
    """Return the JSON Schema of a TOML file, as it is written by hand.

    Pydantic's schema is of what a file becomes: here a number of a card may be bare, a range may be
    one number, and names stand for cards and files.

    Parameters
    ----------
    form : Format
        With a model.
    """
    assert form.model is not None  # CSV files have no schema
    schema = form.model.model_json_schema()
    form.edit(schema)
    _as_written(schema)
    _without_titles(schema)
    tables = schema.get("$defs", {})
    used = _used(schema, tables)
    schema["$defs"] = {name: table for name, table in tables.items() if name in used}
    return {"$schema": _DIALECT, "title": f"orbwright {form.name}", **schema}


def schema_text(form: Format) -> str:
    """Write the JSON Schema of a TOML file."""
    return json.dumps(file_schema(form), indent=2, ensure_ascii=False) + "\n"


def verdicts_schema_text() -> str:
    """Write the JSON Schema of the verdicts in a run's JSON record."""
    schema = TypeAdapter(Verdicts).json_schema(mode="serialization")
    _without_titles(schema)
    # Newer releases of the library copy the whole docstring of a record, older ones nothing.
    for record in (schema, *schema["$defs"].values()):
        record.pop("description", None)
    whole = {"$schema": _DIALECT, "title": "orbwright verdicts", **schema}
    return json.dumps(whole, indent=2, ensure_ascii=False) + "\n"


def _as_written(node: Any) -> None:
    """Let bare numbers stand for cards' numbers and for ranges, and lists of names be short."""
    if isinstance(node, list):
        for item in node:
            _as_written(item)
    if not isinstance(node, dict):
        return
    for item in node.values():
        _as_written(item)
    if isinstance(node.get("range"), list):
        low, high = node.pop("range")
        reference = {"$ref": node.pop("$ref")}
        node["anyOf"] = [{"type": "number", "minimum": low, "maximum": high}, reference]
        if isinstance(node.get("default"), dict):
            node["default"] = node["default"]["value"]
    if node.get("type") == "array" and len(pair := node.get("prefixItems", [])) == 2:
        span = {key: node.pop(key) for key in ("type", "prefixItems", "minItems", "maxItems")}
        node["anyOf"] = [pair[0], span]


def _without_titles(node: Any) -> None:
    """Take away the titles that pydantic makes of names."""
    if isinstance(node, dict):
        if isinstance(node.get("title"), str):
            del node["title"]
        for item in node.values():
            _without_titles(item)
    elif isinstance(node, list):
        for item in node:
            _without_titles(item)


def _used(node: Any, tables: Schema) -> set[str]:
    """Return the names of the tables that are referred to from outside their own list."""
    found: set[str] = set()
    waiting: list[Any] = [{k: v for k, v in node.items() if k != "$defs"}]
    while waiting:
        item = waiting.pop()
        if isinstance(item, list):
            waiting += item
        elif isinstance(item, dict):
            waiting += [v for v in item.values() if isinstance(v, dict | list)]
            name = str(item.get("$ref", "")).rpartition("/")[2]
            if name and name not in found:
                found.add(name)
                waiting.append(tables[name])
    return found
