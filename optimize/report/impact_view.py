"""A recorded impact for a page: words, energy by layer, the deformed section as SVG paths."""

from typing import Any

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.energy.record import ImpactRecord
from layers.energy.section import section_of
from optimize.report.impact import impact_record, impact_words
from optimize.report.pictures.impact import edges_of

# Frames that it needs: first touch and greatest compression.
VIEW_FRAMES = 2
# Steps of the shading, of even width up to the end.
_STEPS = 12


def impact_view(seen: ImpactRecord, ball: Ball) -> dict[str, Any]:
    """Return what a page shows of an impact, as plain data for JSON.

    Parameters
    ----------
    seen : ImpactRecord
        Of two frames or more.
    ball : Ball
        Of which it is the record.

    Returns
    -------
    dict
        ``words``, the keys of `optimize.report.impact.impact_record`, and those of the section at
        greatest compression: ``shades`` (a path for each step of the greatest shear strain, up to
        ``strain_top_percent``), ``interfaces``, ``surface``, ``face``, ``contact``, ``time_us``,
        ``contact_mm2``.
    """
    return {"words": impact_words(seen), **impact_record(seen, ball), **_shapes(seen)}


def _shapes(seen: ImpactRecord) -> dict[str, Any]:
    """Return the section at greatest compression, mm, up being negative as in SVG."""
    section, frame = section_of(seen, seen.peak), seen.frames[seen.peak]
    strain = 100.0 * section.shear_strain
    top = float(f"{max(float(np.quantile(strain, 0.995)), 1e-6):.2g}")
    step = np.clip((strain / top * _STEPS).astype(int), 0, _STEPS - 1)
    corners = section.points[:, section.quads].transpose(2, 1, 0)  # (q, 4, 2)
    edges = edges_of(section)
    return {
        "strain_top_percent": top,
        "shades": ["".join(map(_closed, corners[step == k])) for k in range(_STEPS)],
        "interfaces": "".join(map(_open, edges["interface"])),
        "surface": "".join(map(_open, edges["surface"])),
        "face": _open(section.face.T),
        "contact": _open(section.patch.T),
        "time_us": round(1e6 * frame.time),
        "contact_mm2": round(1e6 * frame.contact_area),
    }


def _open(line: FloatArray) -> str:
    """Write a line as an SVG path."""
    return "M" + "L".join(f"{1e3 * x:.2f} {-1e3 * y:.2f}" for x, y in line) if len(line) else ""


def _closed(line: FloatArray) -> str:
    return _open(line) + "Z"
