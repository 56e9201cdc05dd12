"""What in a ball's numbers is probably a slip: a radius for a diameter, psi for MPa."""

from layers.ball import Ball
from layers.mass.inertia import mass

# Where ordinary balls lie, common practice: diameter, mm, and mass, g; modulus by family, MPa.
_DIAMETER_MM, _MASS_G = (40.0, 45.0), (38.0, 50.0)
_MODULUS_MPA = {"rubber": 300.0, "urethane": 600.0, "ionomer": 1200.0}
_PSI_IN_MPA = 6.894757e-3


def doubts(ball: Ball) -> tuple[str, ...]:
    """Return a sentence for each number that is allowed but hardly meant.

    Parameters
    ----------
    ball : Ball
        The build.

    Examples
    --------
    >>> from layers.ball import Layer
    >>> half = Layer(role="core", outer_diameter_mm=21.35, material="core rubber, soft")
    >>> doubts(Ball(layer=(half,)))[0]
    'outer_diameter_mm is 21.35: a radius? A ball of twice that has 42.7 mm.'
    """
    found = []
    low, high = _DIAMETER_MM
    outer = ball.diameter_mm
    if low <= 2.0 * outer <= high:
        found.append(
            f"outer_diameter_mm is {outer:g}: a radius? A ball of twice that has {2 * outer:g} mm."
        )
    elif not low <= outer <= high:
        found.append(
            f"the ball's diameter is {outer:g} mm; ordinary ones have 42.67 mm or little more."
        )
    for number, layer in enumerate(ball.layer, start=1):
        modulus = layer.material.youngs_modulus_mpa.value
        if modulus > _MODULUS_MPA.get(layer.material.family, 3000.0):
            found.append(
                f"layer {number} has {modulus:g} MPa: psi? {modulus:g} psi are "
                f"{modulus * _PSI_IN_MPA:.3g} MPa."
            )
    grams = mass(ball.body()) * 1e3
    if not found and not _MASS_G[0] <= grams <= _MASS_G[1]:
        found.append(
            f"the ball has {grams:.3g} g, ordinary ones 45 to 45.93: a density or a diameter off?"
        )
    return tuple(found)
