"""Where the energy of an impact goes, layer by layer: table and plain record."""

from typing import Any

from layers.ball import Ball
from layers.energy.record import EnergyTable, ImpactRecord
from optimize.report.tables import Section, columns

# What belongs to no layer, in the order of the table.
_WHOLE = {
    "speed": "speed of the ball",
    "spin": "spin of the ball",
    "head": "left in the club's head",
    "face friction": "friction on the face",
    "contact": "stopping the surface",
}
_NOTES = (
    "Stored: strain energy at greatest compression; it comes back but for what is lost.",
    "Worth at most: the ball speed that a layer's loss would make if all of it came back. Of a "
    "small cut in one layer's loss, half to nine tenths do: other layers lose some of it, and some "
    "stays as vibration.",
)


def energy_sections(record: ImpactRecord, ball: Ball) -> list[Section]:
    """Tabulate the energy by layer, centre outward, and what belongs to no layer.

    Parameters
    ----------
    record : ImpactRecord
    ball : Ball
        Of which it is the record.
    """
    table = record.energy
    rows = [
        (
            layer.role,
            f"{table.stored[k]:.2f}",
            f"{table.lost[k]:.2f}",
            _share(table.lost[k], table),
            f"{table.vibration[k]:.2f}",
            f"{table.lost[k] * record.speed_per_joule:.2f}",
        )
        for k, layer in enumerate(ball.layer)
    ]
    heads = columns(
        "layer",
        ">stored, J",
        ">lost in the material, J",
        ">share, %",
        ">left as vibration, J",
        ">worth at most, m/s",
    )
    flag = (f"! {record.flag}",) if record.flag else ()
    return [
        Section(f"Energy by layer: {impact_words(record)}", heads, tuple(rows), _NOTES + flag),
        _whole_section(table),
    ]


def impact_words(record: ImpactRecord) -> str:
    """Say which impact it is."""
    if record.swing:
        return f"{record.swing}, head at {record.speed:g} m/s"
    return f"rigid barrier at {record.speed:g} m/s"


def _whole_section(table: EnergyTable) -> Section:
    layered = {
        "lost in the materials": float(table.lost.sum()),
        "left as vibration": float(table.vibration.sum()),
        "taken by the mesh": float(table.numerical.sum()),
    }
    named = {_WHOLE[name]: table.whole[name] for name in _WHOLE if name in table.whole}
    parts = {**named, **layered, "error of the balance": table.residual}
    rows = [(name, f"{joules:.3f}", _share(joules, table)) for name, joules in parts.items()]
    rows.append(("given", f"{table.given:.3f}", "100.00"))
    return Section("Balance of the impact", columns("", ">J", ">share, %"), tuple(rows))


def _share(joules: float, table: EnergyTable) -> str:
    return f"{100.0 * joules / table.given:.2f}"


def impact_record(record: ImpactRecord, ball: Ball) -> dict[str, Any]:
    """Return the same as plain data for JSON, energies in J.

    Parameters
    ----------
    record, ball
        As for `energy_sections`.
    """
    table = record.energy
    return {
        "swing": record.swing or None,
        "speed_m_s": record.speed,
        "given_j": table.given,
        "layers": [
            {
                "role": layer.role,
                "stored_j": float(table.stored[k]),
                "lost_j": float(table.lost[k]),
                "vibration_j": float(table.vibration[k]),
                "mesh_j": float(table.numerical[k]),
                "worth_at_most_m_s": float(table.lost[k]) * record.speed_per_joule,
            }
            for k, layer in enumerate(ball.layer)
        ],
        "whole": {f"{name.replace(' ', '_')}_j": joules for name, joules in table.whole.items()},
        "residual_j": table.residual,
        "flag": record.flag,
    }
