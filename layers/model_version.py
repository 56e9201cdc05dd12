"""The version of the model: a digest of exactly the files that an estimate rests on."""

from pathlib import Path

from layers.estimation import estimate
from layers.files.sources import digest_of, sources_of


def model_sources() -> dict[str, Path]:
    """Return the files that decide a figure; see `layers.files.sources.sources_of`.

    The shipped cards are left out: a ball carries its own.
    """
    files = sources_of(estimate.__module__)
    return {name: file for name, file in files.items() if file.name != "catalogue.toml"}


# The ledger keeps evaluations of another model apart.
MODEL_VERSION = digest_of(model_sources())
