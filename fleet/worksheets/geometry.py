"""How a change at the balance rail shows at the front of a key."""

from __future__ import annotations


def front_change_mm(rail_mm: float, lever_front_mm: float, lever_back_mm: float) -> float:
    """Return how much a key's front rises when the balance rail rises and the back rest stays [mm].

    Parameters
    ----------
    rail_mm : rise of the balance rail, negative where it sinks [mm]
    lever_front_mm : from the balance rail to the front of the key [mm]
    lever_back_mm : from the balance rail to the back rest [mm]

    Raises
    ------
    ValueError
        Where a lever is not longer than nothing.

    Notes
    -----
    ``rail * (front + back) / back``, by similar triangles for a rigid key. The front stop stays where it is,
    so the key dip grows by as much; felt gives way, so a small change arrives a little smaller.
    """
    return rail_mm * lever_ratio(lever_front_mm, lever_back_mm)


def rail_change_mm(front_mm: float, lever_front_mm: float, lever_back_mm: float) -> float:
    """Return by how much the balance rail must rise for the key front to rise so much [mm].

    Raises
    ------
    ValueError
        Where a lever is not longer than nothing.
    """
    return front_mm / lever_ratio(lever_front_mm, lever_back_mm)


def lever_ratio(lever_front_mm: float, lever_back_mm: float) -> float:
    """Return what one unit at the balance rail becomes at the key front [-].

    Raises
    ------
    ValueError
        Where a lever is not longer than nothing.
    """
    if not (lever_front_mm > 0 and lever_back_mm > 0):
        raise ValueError("both parts of the key are longer than 0 mm")
    return (lever_front_mm + lever_back_mm) / lever_back_mm
