"""The column of water between a transducer and the specimen."""

STANDARD_GRAVITY = 9.80665  # m/s2, exact by definition
WATER_DENSITY_20C = 998.2072  # kg/m3 at 101.325 kPa (IAPWS-95, checks/physics.md C6)


def head_pa(height_m: float, density_kg_per_m3: float = WATER_DENSITY_20C) -> float:
    """Pressure to add to a transducer that sits `height_m` [m] above the specimen's datum, the line full of water [Pa].

    Example (checks/physics.md C8)
    -------
    >>> round(head_pa(1.0), 2)
    9789.07
    """
    return density_kg_per_m3 * STANDARD_GRAVITY * height_m
