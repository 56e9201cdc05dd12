"""Fields of files and requests: each number with its unit, help and allowed range."""

from typing import Any, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator
from pydantic.fields import FieldInfo
from pydantic_core import PydanticKnownError

REQUIRED: Any = ...


class Table(BaseModel):
    """A table of a file: frozen, no unknown keys, finite numbers."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    @field_validator("*", mode="before")
    @classmethod
    def _no_truth_value_for_a_number(cls, value: Any, info: ValidationInfo) -> Any:
        """Refuse true and false where a number belongs: Python takes them for 1 and 0."""
        if _has_truth_value(value) and _is_of_numbers(cls.model_fields[str(info.field_name)]):
            if isinstance(value, bool):
                raise PydanticKnownError("float_type")
            raise ValueError("put a number in place of true or false")
        return value


def _has_truth_value(value: Any, levels: int = 2) -> bool:
    """Whether a value is true or false, or has one in its list or in the lists in that."""
    if isinstance(value, list | tuple):
        return levels > 0 and any(_has_truth_value(one, levels - 1) for one in value)
    return isinstance(value, bool)


def _is_of_numbers(field: FieldInfo) -> bool:
    """Whether a field is a number or has numbers in it, and no truth values."""
    kinds: list[Any] = [field.annotation]
    for kind in kinds:
        kinds += get_args(kind)  # of a union, a tuple, a number with its bounds
    return bool not in kinds and (float in kinds or int in kinds)


def numeric(
    unit: str,
    help_text: str,
    low: float | None = None,
    high: float | None = None,
    default: Any = REQUIRED,
    *,
    strict: bool | None = None,
) -> Any:
    """Describe a number, or a range of numbers, for its schema.

    Parameters
    ----------
    unit : str
        In ASCII; "1" for a ratio or a count.
    help_text : str
        What it is, in a line.
    low, high : float, optional
        Allowed range, ends included; None where the annotation has it, as of a pair of numbers.
    default : optional
        Value where the key is left out; without it the key is required.
    strict : bool, optional
        Whether text that reads as a number is refused.

    Returns
    -------
    pydantic field
        To stand on the right of an annotated attribute.
    """
    return Field(
        default,
        description=help_text,
        ge=low,
        le=high,
        strict=strict,
        json_schema_extra={"unit": unit},
    )


def ranged(unit: str, help_text: str, low: float, high: float) -> Any:
    """Describe a number that carries its source, whose range its card checks.

    Parameters
    ----------
    unit, help_text : str
        As for `numeric`.
    low, high : float
        Allowed range, ends included.
    """
    return Field(description=help_text, json_schema_extra={"unit": unit, "range": [low, high]})
