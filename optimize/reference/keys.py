"""Every key of a file with unit, range, default and an example, read off its schema."""

import csv
import math
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from layers.files.csv import Column
from layers.files.toml import toml_value
from optimize.reference.formats import Format, Schema
from optimize.reference.schema import file_schema


@dataclass(frozen=True)
class Key:
    """A key or a column.

    Attributes
    ----------
    name, kind, unit : str
        What is written; number, text ...; the unit of a number, empty for a ratio.
    allowed : str
        The range of a number, or the words of a choice.
    default : str
        Empty where the key is required.
    example, help : str
        As a file has it; what it is.
    """

    name: str
    kind: str
    unit: str
    allowed: str
    default: str
    example: str
    help: str


@dataclass(frozen=True)
class KeyTable:
    """The keys of one table of a file; the heading is empty for those above all tables."""

    heading: str
    help: str
    keys: tuple[Key, ...]


def key_tables(form: Format) -> list[KeyTable]:
    """Return the tables of a TOML file, or the one of a CSV file's columns.

    Parameters
    ----------
    form : Format
        Which kind of file.
    """
    if form.model is None:
        header, first = csv.reader(form.example.splitlines()[:2])
        cells = dict(zip(header, first, strict=True))
        keys = tuple(_of_column(n, c, cells.get(n, "")) for n, c in form.columns.items())
        return [KeyTable("columns", form.what, keys)]
    schema = file_schema(form)
    return list(_tables(schema, schema, "", [tomllib.loads(form.example)]))


def _of_column(name: str, column: Column | str, example: str) -> Key:
    if isinstance(column, str):
        return Key(name, "text", "", "", "", example, column)
    unit = "" if column.unit == "1" else column.unit
    bounded = math.isfinite(column.low) and math.isfinite(column.high)
    allowed = f"{column.low:g} to {column.high:g}" if bounded else ""
    return Key(name, "number", unit, allowed, "", example, column.help)


def _tables(table: Schema, schema: Schema, heading: str, examples: list[Any]) -> Iterator[KeyTable]:
    """Yield a table's keys, then the tables within it; those alike stand together."""
    keys: list[Key] = []
    inner: dict[tuple[str, bool], list[tuple[str, Schema, list[Any]]]] = {}
    for name, given in table["properties"].items():
        node = _one(given)
        items = _one(node.get("items", {}))
        held = [e[name] for e in examples if name in e]
        reference = node.get("$ref") or items.get("$ref")
        if reference:
            several = "items" in node
            flat = [x for h in held for x in h] if several else held
            inner.setdefault((reference, several), []).append((name, given, flat))
        else:
            required = name in table.get("required", ())
            keys.append(_key(name, given, required, held[0] if held else None))
    if keys:
        help_text = table.get("description", "").split(".")[0]
        yield KeyTable(heading, help_text and f"{help_text}.", tuple(keys))
    for (reference, several), members in inner.items():
        path = heading.strip("[]") + "." if heading else ""
        marks = ("[[", "]]") if several else ("[", "]")
        names = ", ".join(f"{marks[0]}{path}{name}{marks[1]}" for name, _, _ in members)
        inside = schema["$defs"][reference.rpartition("/")[2]]
        by_name = {name: given["default"] for name, given, _ in members if given.get("default")}
        flat = [example for _, _, held in members for example in held]
        inside = _with_defaults(inside, by_name)
        yield from _tables(inside, schema, names, flat)


def _with_defaults(table: Schema, by_name: dict[str, Any]) -> Schema:
    """Put in the defaults that the same table has in different places, where they differ."""
    properties = {}
    for key, given in table["properties"].items():
        values = {n: d.get(key, given.get("default")) for n, d in by_name.items()}
        differ = {n: v for n, v in values.items() if v != given.get("default")}
        properties[key] = given
        if differ and "default" in given:
            told = "; ".join(f"{n} {v:g}" for n, v in differ.items())
            properties[key] = given | {"default_text": f"{given['default']:g}; {told}"}
    return table | {"properties": properties}


def _one(node: Schema) -> Schema:
    """Return what a value may be besides null."""
    others: list[Schema] = [item for item in node.get("anyOf", []) if item.get("type") != "null"]
    if len(others) == 1:
        return {k: v for k, v in node.items() if k != "anyOf"} | others[0]
    return node


def _key(name: str, given: Schema, required: bool, held: Any) -> Key:
    node = _one(given)
    default = given.get("default")
    text: str = given.get("default_text") or ("none" if default is None else toml_value(default))
    example = toml_value(held if held is not None else default) if held or default else ""
    unit: str = given.get("unit") or node.get("unit") or ""
    return Key(
        name,
        _kind(node),
        "" if unit == "1" else unit,
        _allowed(node),
        "" if required else text,
        example,
        given.get("description", ""),
    )


def _kind(node: Schema) -> str:
    ways = node.get("anyOf")
    if ways:
        return " or ".join(_kind(way) for way in ways)
    if "$ref" in node:
        return "{ value, source, grade }"
    if "enum" in node:
        return "choice"
    if node.get("type") == "array":
        inside = node.get("prefixItems") or [node.get("items", {})]
        return f"[{', '.join(_kind(item) for item in inside)}]"
    names = {"number": "number", "integer": "whole number", "boolean": "true or false"}
    return names.get(node.get("type", ""), "text")


def _allowed(node: Schema) -> str:
    """Write the range of a number, or the words of a choice."""
    if "enum" in node:
        return ", ".join(map(str, node["enum"]))
    low = node.get("minimum", node.get("exclusiveMinimum"))
    high = node.get("maximum", node.get("exclusiveMaximum"))
    if low is not None and high is not None:
        return f"{'above ' if 'minimum' not in node else ''}{low:.10g} to {high:.10g}"
    inner = [node["items"]] if "items" in node else []
    for inside in (*node.get("anyOf", ()), *node.get("prefixItems", ()), *inner):
        if allowed := _allowed(inside):
            return allowed
    return ""
