"""Named cards: a TOML file of tables of one kind, each found by its name."""

import tomllib
from collections.abc import Mapping
from importlib import resources
from typing import Any, ClassVar, Generic, Self, TypeVar, cast

from pydantic import BaseModel, ConfigDict, ValidationError, model_validator

from layers.errors import Fault, InputError, Named, find_named, refuse_twice
from layers.files.explain import explain
from layers.files.toml import parse_toml, told_by_line

C = TypeVar("C", bound=Named)


class Cards(BaseModel, Generic[C]):
    """A set of cards, each name once; a subclass has one field, the tuple of its cards."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    # What a card is called in messages, and where it was looked for.
    kind: ClassVar[str]
    place: ClassVar[str]

    @property
    def cards(self) -> tuple[C, ...]:
        """The cards, in the order of the file."""
        (field,) = type(self).model_fields
        return cast(tuple[C, ...], getattr(self, field))

    @model_validator(mode="after")
    def _names_are_unique(self) -> Self:
        refuse_twice(self.cards, self.kind)
        return self

    def find(self, name: str) -> C:
        """Return the card of this name.

        Raises
        ------
        InputError
            If there is none; the message offers the nearest names.
        """
        return find_named(self.cards, name, self.kind, self.place)

    def joined(self, other: tuple[C, ...]) -> Self:
        """Return these cards with others added; one of the same name replaces ours."""
        (field,) = type(self).model_fields
        replaced = {card.name for card in other}
        kept = tuple(card for card in self.cards if card.name not in replaced)
        return type(self).model_validate({field: kept + other})

    @classmethod
    def from_table(cls, table: Mapping[str, Any], what: str) -> Self:
        """Read parsed cards.

        Parameters
        ----------
        table : mapping
            The cards' tables under the name of the field.
        what : str
            The file's name, for messages.

        Raises
        ------
        InputError
            On an unknown key, a name that stands twice or a value out of range.
        """
        (field,) = cls.model_fields.values()
        (card,) = (a for a in field.annotation.__args__ if a is not Ellipsis)  # type: ignore[union-attr]
        try:
            return cls.model_validate(dict(table))
        except ValidationError as error:
            raise explain(error, what, tuple(card.model_fields), (cls,)) from error

    @classmethod
    def from_toml(cls, text: str, what: str = "the file") -> Self:
        """Read cards from a TOML text whose name for messages is `what`; see `from_table`."""
        table = parse_toml(text, what)
        with told_by_line(text, what):
            return cls.from_table(table, what)

    @classmethod
    def shipped(cls, package: str, file: str) -> Self:
        """Read cards that ship with orbwright, from a file beside a package's modules."""
        return cls.from_table(shipped_toml(package, file), f"the shipped {file}")


def with_card(
    row: Mapping[str, Any], key: str, cards: Cards[Any], place: tuple[str, int], faults: list[Fault]
) -> dict[str, Any]:
    """Put the card into a table that names it.

    Parameters
    ----------
    row : mapping
        The table.
    key : str
        Which of its keys holds the name.
    cards : Cards
        Where the card is looked for.
    place : tuple of str and int
        Where the table stands, such as ``("layer", 0)``.
    faults : list of Fault
        Grows by one where there is no such card; any card then stands in, so that the rest of the
        table can be checked.
    """
    name = row[key]
    try:
        if not isinstance(name, str):
            raise InputError(f"{key} must be the name of a card, in quotes.")
        card = cards.find(name)
    except InputError as error:
        told = f"{place[0]} {place[1] + 1}: {str(error).rstrip('.')}"
        faults.append(Fault((*place, key), told))
        card = cards.cards[0]
    return {**row, key: card}


def shipped_toml(package: str, file: str) -> dict[str, Any]:
    """Parse a TOML file that ships beside a package's modules."""
    return tomllib.loads(resources.files(package).joinpath(file).read_text(encoding="utf-8"))
