"""A scenario as TOML text that needs no other file."""

from typing import Any

from layers.files.toml import toml_value
from optimize.scenario.brief import Scenario


def scenario_toml(scenario: Scenario) -> str:
    """Write a scenario as TOML, its cards and conditions included.

    Parameters
    ----------
    scenario : Scenario
        The brief; what is as by default is left out.

    Returns
    -------
    str
        A text from which `optimize.scenario.brief.scenario_from_toml` reads an equal scenario.
    """
    record = scenario.model_dump(mode="json", exclude_none=True, exclude_defaults=True)
    tables = {key: value for key, value in record.items() if isinstance(value, dict)}
    arrays = {key: value for key, value in record.items() if _is_tables(value)}
    lines = _pairs({k: v for k, v in record.items() if k not in tables and k not in arrays})
    for key, table in tables.items():
        lines += ["", f"[{key}]", *_pairs(table)]
    for key, rows in arrays.items():
        for row in rows:
            lines += ["", f"[[{key}]]", *_pairs(row)]
    return "\n".join(lines) + "\n"


def _is_tables(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and isinstance(value[0], dict)


def _pairs(table: dict[str, Any]) -> list[str]:
    return [f"{key} = {toml_value(value)}" for key, value in table.items()]
