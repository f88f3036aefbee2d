"""Streets beside a circuit, on which a crew drives from one enclosure to the next."""

from __future__ import annotations

from dataclasses import dataclass

from loopmend.network.assets import Floats, Ints


@dataclass(frozen=True, slots=True, eq=False)
class Streets:
    """Streets as drawn, open to the truck both ways.

    Attributes
    ----------
    longitude, latitude
        Of every vertex, degrees, street after street, shape (n_vertices,).
    street
        Number of the street of each vertex, ascending, shape (n_vertices,).
    m_per_min
        Speed on each street, metres per minute, above 0, or NaN where the layer gives none, shape (n_streets,).
    """

    longitude: Floats
    latitude: Floats
    street: Ints
    m_per_min: Floats
