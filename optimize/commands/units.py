"""Which units tables are printed in: the option, else the environment, else the user's file."""

import os
from pathlib import Path

import typer

from layers.errors import InputError

# Names the file in place of the one in the platform's folder.
CONFIG = "ORBWRIGHT_CONFIG"


def config_file() -> Path:
    """Return the user's settings file, in the platform's folder for settings."""
    named = os.environ.get(CONFIG)
    return Path(named) if named else Path(typer.get_app_dir("orbwright")) / "config.toml"


def choose_units(option: str | None) -> None:
    """Choose the units of this process's tables.

    Parameters
    ----------
    option : str or None
        What ``--units`` says; None where it is not given.

    Raises
    ------
    InputError
        If option or file says anything but ``metric`` or ``trade``.
    """
    from optimize.report.units import use

    path = config_file()
    if option is not None:
        use(option, firm=True)
    elif _is_there(path):
        use(_setting(path))


def _is_there(path: Path) -> bool:
    """Whether there is a file; one in a folder that this user may not enter is nobody's setting."""
    try:
        return path.is_file()
    except PermissionError:
        return False


def _setting(path: Path) -> str:
    from layers.files.text import read_text
    from layers.files.toml import parse_toml

    table = parse_toml(read_text(path), path.name)
    unknown = sorted(set(table) - {"units"})
    if unknown:
        raise InputError(f"{path}: {unknown[0]} is not a known setting; known: units.")
    units = table.get("units", "metric")
    if units not in ("metric", "trade"):
        raise InputError(f"{path}: units is {units!r}, but must be metric or trade.")
    return str(units)


def option_first(arguments: list[str]) -> list[str]:
    """Put ``--units`` before the command, so that it may be given after it too.

    Parameters
    ----------
    arguments : list of str
        As typed; what follows ``--`` stays.
    """
    end = arguments.index("--") if "--" in arguments else len(arguments)
    for i, argument in enumerate(arguments[:end]):
        if argument == "--units" or argument.startswith("--units="):
            many = 2 if argument == "--units" else 1
            return arguments[i : i + many] + arguments[:i] + arguments[i + many :]
    return arguments
