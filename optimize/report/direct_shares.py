"""Indices of builds that are all computed: what they are from, and the emulator's error beside."""

from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from optimize.report.tables import Section, columns
from optimize.report.words import unit_of
from optimize.sensitivity.direct import FEWEST_LEFT
from optimize.sensitivity.result import Direct, EmulatorError


def source_of(direct: Direct) -> str:
    """Say in a sentence how many builds were computed, by what, in which precision."""
    random = direct.sample.rows.shape[1]
    return (
        f"Figures of {direct.distinct:,} builds computed in {direct.precision} precision on "
        f"{direct.device}: {random:,} spread over the space by a Sobol sequence, and each again "
        f"with every design variable, or all of a layer, redrawn."
    )


def direct_notes(direct: Direct) -> Iterator[str]:
    """Say what the indices are estimated from, and what their intervals hold.

    Parameters
    ----------
    direct : Direct
        The computed builds.
    """
    yield (
        f"{source_of(direct)} S_i by the correlation ratio of all of them, S_Ti by Jansen's "
        f"formula; the 95 % intervals are a bootstrap's over the builds, and for a sequence rather "
        f"too wide. They do not cover the error of the finite elements."
    )
    lost = [f"{many} for {name}" for name, many in direct.lost.items() if many]
    if lost:
        yield (
            f"Random builds left out, since they or a redrawn one failed or are flagged: "
            f"{', '.join(lost)}."
        )
    most = direct.sample.rows.shape[1] - FEWEST_LEFT
    none = [name for name, many in direct.lost.items() if many > most]
    if none:
        yield f"No indices of {', '.join(none)}: fewer than {FEWEST_LEFT} random builds are left."


def emulator_section(direct: Direct) -> Section:
    """Tabulate the error of a run's emulator over the computed builds.

    Parameters
    ----------
    direct : Direct
        With an emulator beside.
    """
    heads = columns(
        "figure",
        ">rms error",
        ">bias",
        "unit",
        ">mean square, % of variance",
        ">inside 68 %",
        ">inside 95 %",
        ">S_i off by at most, %",
        ">S_Ti off by at most, %",
    )
    rows = tuple(_row(one) for one in direct.emulator)
    most = max((one.builds for one in direct.emulator), default=0)
    note = (
        f"The run's emulator at {most:,} computed builds that are uniform over the space. Bias: "
        f"mean of predicted less computed. Indices: the emulator's less the computed ones."
    )
    return Section("Emulator of the run against computed builds", heads, rows, (note,))


def _row(one: EmulatorError) -> tuple[str, ...]:
    return (
        one.figure,
        f"{one.rms:.3g}",
        f"{one.bias:+.3g}",
        unit_of(one.figure),
        f"{100.0 * one.error:.2g}",
        f"{100.0 * one.within_68:.0f} %",
        f"{100.0 * one.within_95:.0f} %",
        f"{100.0 * max(map(abs, one.first)):.1f}",
        f"{100.0 * max(map(abs, one.total)):.1f}",
    )


def direct_record(direct: Direct) -> dict[str, Any]:
    """Return plain data for JSON.

    Parameters
    ----------
    direct : Direct
        The computed builds.
    """
    return {
        "device": direct.device,
        "precision": direct.precision,
        "random_builds": direct.sample.rows.shape[1],
        "builds": direct.distinct,
        "in_the_ledger": direct.reused,
        "left_out": dict(direct.lost),
        "emulator": [asdict(one) for one in direct.emulator],
    }
