"""What people do with runs and builds: decisions, notes, sheets, readings; each is one event."""

import getpass
import hashlib
import os
from dataclasses import dataclass, field
from typing import Literal, get_args

from layers.errors import CONTROLS, InputError
from layers.files.text import refuse_controls
from optimize.ledger.rows import now
from optimize.ledger.seal import Cells, Damage

Mark = Literal["chosen", "rejected", "parked", "made", "measured"]
MARKS: tuple[str, ...] = get_args(Mark)
Kind = Mark | Literal["started", "resumed", "note", "sheet", "calibrated", "reopened"]

# Names whoever acts, where no name is given.
WHO_VARIABLE = "ORBWRIGHT_WHO"
NOT_RECORDED = "not recorded"

LONGEST_NAME, LONGEST_TEXT = 120, 2000
_BREAKS = frozenset("\t\n\r")


@dataclass(frozen=True)
class Event:
    """One thing that somebody did, once written never changed.

    Attributes
    ----------
    kind : str
        ``started`` or ``resumed``: a run. ``chosen``, ``rejected``, ``parked``, ``made``,
        ``measured``: a mark on a build. ``note``: a text. ``sheet``: a prototype sheet was written.
        ``calibrated``: the model was, on the build's readings. ``reopened``: the build starts a new
        scenario.
    run, build, label : str
        The run's id, the build's key in hexadecimal, its letter on the short list; empty for none.
    who : str
        Empty where not recorded.
    text : str
        The reason, or the note.
    file, file_digest : str
        Name and digest (see `digest_of_file`) of the sheet, readings, calibration or scenario.
    moment : str
        When, in UTC.
    """

    kind: Kind
    run: str = ""
    build: str = ""
    label: str = ""
    who: str = ""
    text: str = ""
    file: str = ""
    file_digest: str = ""
    moment: str = field(default_factory=now)


def cells_of_event(event: Event) -> Cells:
    """Write an event, to be read by `event_of`."""
    return (
        event.kind,
        event.run,
        bytes.fromhex(event.build) or None,
        event.label,
        event.who,
        event.moment,
        event.text,
        event.file,
        bytes.fromhex(event.file_digest) or None,
    )


def event_of(number: int, cells: Cells) -> Event:
    """Read an event; `Damage` that names its number if it has what no command writes."""
    kind, run, build, label, who, moment, text, file, digest = cells
    texts = (kind, run, label, who, moment, text, file)
    if not all(isinstance(t, str) and not _has_controls(t) for t in texts):
        raise Damage(f"event {number} has control characters")
    if not all(blob is None or isinstance(blob, bytes) for blob in (build, digest)):
        raise Damage(f"event {number} cannot be read")
    keys = ["" if blob is None else blob.hex() for blob in (build, digest)]
    return Event(kind, run, keys[0], label, who, text, file, keys[1], moment)


def _has_controls(text: str) -> bool:
    return bool(CONTROLS.search(text)) or not _BREAKS.isdisjoint(text)


def digest_of_file(content: bytes) -> str:
    """Return the first 32 hexadecimal digits of a file's SHA-256."""
    return hashlib.sha256(content).hexdigest()[:32]


def named(given: str | None) -> str:
    """Return who acts: as given, else by the variable ORBWRIGHT_WHO, else the user's login name.

    Parameters
    ----------
    given : str or None
        A name.

    Returns
    -------
    str
        Empty if the system knows no name.

    Raises
    ------
    InputError
        If the name is empty, too long or has control characters.
    """
    if given is not None:
        return one_line(given, "the name of who acts", LONGEST_NAME)
    try:
        name = os.environ.get(WHO_VARIABLE) or getpass.getuser()
    except (ImportError, KeyError, OSError):  # by the version of Python
        return ""
    return one_line(name, f"the login name or {WHO_VARIABLE}", LONGEST_NAME)


def one_line(text: str, what: str, most: int = LONGEST_TEXT) -> str:
    """Return a text on one line, to be kept in an event.

    Parameters
    ----------
    text : str
        Line ends and tabs become blanks.
    what : str
        Its name, for messages.
    most : int
        Greatest number of characters.

    Raises
    ------
    InputError
        If nothing is left, it is longer, or it has control characters.
    """
    refuse_controls(text, what)
    line = " ".join(text.split())
    if not line:
        raise InputError(f"{what} is empty, but must say something.")
    if len(line) > most:
        raise InputError(f"{what} has {len(line)} characters, but must have at most {most}.")
    return line
