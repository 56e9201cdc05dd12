"""Plain data as JSON."""

import json
from typing import Any


def json_text(record: Any) -> str:
    """Write plain data as JSON; it has no number that JSON lacks."""
    return json.dumps(record, indent=2, allow_nan=False, ensure_ascii=False)
