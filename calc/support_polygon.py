"""The support polygon: the contacts' outline on the ground, over which a machine stands or tips.

Rigid bodies on level, even ground. Suspension, ruts and a shifting rider move the centre and the contacts; a machine
tips well below what is worked out here.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from calc.declaration import (
    Measured,
    Number,
    Numbers,
    Places,
    any_real,
    kernel,
    not_negative,
    plain,
    positive,
    strictly_between,
)

STANDARD_GRAVITY_MPS2 = 9.80665
"""ISO 80000-3:2019, g_n."""
_SLACK_M = 1e-9
"""A centre of gravity exactly above an edge is still between the contacts, whatever the last binary digit says."""

Points = NDArray[np.float64]


def points_of(contacts_xy_m: Any) -> Points:
    """Contacts as an array of shape (n, 2); at least three that span an area, else ValueError."""
    points = np.asarray(contacts_xy_m, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < 3:
        raise ValueError(f"contacts_xy_m must hold at least 3 places (x, y), got an array of shape {points.shape}")
    if np.linalg.matrix_rank(points - points[0], tol=1e-9) < 2:
        raise ValueError("contacts_xy_m must span an area, got contacts on one line: such a machine is balanced")
    return points


def place_of(cg_xyz_m: Any) -> Points:
    """A centre of gravity as an array of 3, above the ground, else ValueError."""
    centre = np.asarray(cg_xyz_m, dtype=np.float64)
    if centre.shape != (3,):
        raise ValueError(f"cg_xyz_m must hold x, y and z, got an array of shape {centre.shape}")
    if centre[2] <= 0:
        raise ValueError(f"cg_xyz_m must lie above the ground, got z = {centre[2]:g} m")
    return centre


def outline(points: Points) -> NDArray[np.intp]:
    """Which contacts make the convex outline, counter-clockwise (monotone chain)."""
    order = np.lexsort((points[:, 1], points[:, 0]))

    def chain(indices: Any) -> list[int]:
        corners: list[int] = []
        for index in indices:
            while len(corners) > 1 and _turn(points[corners[-2]], points[corners[-1]], points[index]) <= 1e-12:
                corners.pop()
            corners.append(int(index))
        return corners[:-1]

    return np.array(chain(order) + chain(order[::-1]), dtype=np.intp)


def _turn(a: Points, b: Points, c: Points) -> float:
    return float((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))


def reach_to_edges(points: Points, centre: Points) -> tuple[Points, Points]:
    """Outward normal of each edge, and how far the centre is inside of it [m].

    Raises ValueError when the centre is not between the contacts.
    """
    corners = points[outline(points)]
    along = np.roll(corners, -1, axis=0) - corners
    normals = np.column_stack([along[:, 1], -along[:, 0]]) / np.hypot(along[:, 0], along[:, 1])[:, None]
    distances = np.einsum("ij,ij->i", normals, corners - centre[:2])
    if (distances < -_SLACK_M).any():
        raise ValueError(
            f"cg_xyz_m must lie between the contacts, got x = {centre[0]:g} m, y = {centre[1]:g} m, "
            f"{-distances.min():.3g} m outside of them: such a machine falls over standing"
        )
    return normals, np.maximum(distances, 0.0)


def lifting_g(points: Points, centre: Points, direction_deg: Any) -> Any:
    """Acceleration in each direction at which the first contact lifts [g]."""
    angle = np.radians(direction_deg)
    # Exactly 0 across the machine, where a cosine of 90° leaves 6e-17.
    along = np.where(np.abs(np.cos(angle)) < 1e-15, 0.0, np.cos(angle))
    across = np.where(np.abs(np.sin(angle)) < 1e-15, 0.0, np.sin(angle))
    normals, distances = reach_to_edges(points, centre)
    # The inertia force points against the acceleration.
    toward = -centre[2] * (np.multiply.outer(along, normals[:, 0]) + np.multiply.outer(across, normals[:, 1]))
    each = np.where(toward > 1e-12, distances / np.where(toward > 1e-12, toward, 1.0), np.inf)
    return each.min(axis=-1)


def three_loads_n(points: Points, centre: Points, mass_kg: float, acceleration_xy_mps2: Any) -> Any:
    """Loads of three contacts by three equations; ValueError for another number of them."""
    if len(points) != 3:
        raise ValueError(f"contacts_xy_m must hold 3 contacts, got {len(points)}; more share the weight by stiffness")
    return np.linalg.solve(np.vstack([np.ones(3), points.T]), _forces(centre, mass_kg, acceleration_xy_mps2))


def _forces(centre: Points, mass_kg: float, acceleration_xy_mps2: Any) -> Any:
    """Weight, and its moments with those of inertia, which the contacts hold in balance."""
    along, across = np.asarray(acceleration_xy_mps2, dtype=np.float64).reshape(2)
    x_m, y_m, z_m = centre
    g = STANDARD_GRAVITY_MPS2
    return mass_kg * np.array([g, g * x_m - along * z_m, g * y_m - across * z_m])


class Edges(NamedTuple):
    """Each edge of the support polygon, counter-clockwise: between which contacts, and what it takes to tip over it."""

    first: Any
    second: Any
    distance_m: Any
    threshold_g: Any
    tilt_deg: Any
    outward_deg: Any


@kernel(
    title="Tip-over threshold to every edge",
    formula="a/g = d / h,  tilt = atan(d / h)",
    source="Statics of a rigid body; tan of the tilt angle is the threshold, as NHTSA's static stability factor "
    "(65 FR 34998, 2000).",
    contacts_xy_m=any_real(),
    cg_xyz_m=any_real(),
)
def tip_over_edges(contacts_xy_m: Places, cg_xyz_m: Places) -> Edges:
    """How far the centre of gravity is from each edge over which the machine can tip, square to the edge.

    The threshold square to an oblique edge is lower than that straight sideways: the worst edge governs.

    Parameters
    ----------
    contacts_xy_m: forward and left place of each contact, array of shape (n, 2), n at least 3 [m].
    cg_xyz_m: forward, left and up place of the centre of gravity, array of 3 [m].

    Returns
    -------
    Edges, arrays with one value for each edge: the positions of its two contacts in the list, the distance [m], the
    threshold [g], the tilt [°] and the direction to which it faces [°, 0 forward, 90 left].

    Raises
    ------
    ValueError: as in `stability.tip_over_g`.

    Examples
    --------
    >>> edges = tip_over_edges([(0.9, 0.42), (0.9, -0.42), (-0.6, -0.35), (-0.6, 0.35)], (0.1, 0.03, 0.55))
    >>> [round(tilt, 4) for tilt in sorted(edges.tilt_deg.tolist())]
    [32.6402, 36.8511, 51.8428, 55.4915]
    """
    points, centre = points_of(contacts_xy_m), place_of(cg_xyz_m)
    corners = outline(points)
    normals, distances = reach_to_edges(points, centre)
    threshold = distances / centre[2]
    return Edges(
        corners,
        np.roll(corners, -1),
        distances,
        threshold,
        np.degrees(np.arctan(threshold)),
        np.degrees(np.arctan2(normals[:, 1], normals[:, 0])),
    )


class CorneringLimit(NamedTuple):
    """Sideways acceleration at which a machine tips while it brakes or drives at the same time."""

    turning_left_g: float
    turning_right_g: float


@kernel(
    title="Tip-over threshold in a turn while braking or driving",
    formula="the point C_xy − h (a_x, a_y)/g leaves the support polygon",
    source="Statics of a rigid body: where gravity and inertia together meet the ground.",
    contacts_xy_m=any_real(),
    cg_xyz_m=any_real(),
    forward_g=any_real(),
)
def cornering_limit(contacts_xy_m: Places, cg_xyz_m: Places, forward_g: float) -> CorneringLimit:
    """What is left sideways while the machine accelerates forward or brakes.

    On one wheel in front, braking in a turn tips a machine that only turning would not.

    Parameters
    ----------
    contacts_xy_m: forward and left place of each contact, array of shape (n, 2), n at least 3 [m].
    cg_xyz_m: forward, left and up place of the centre of gravity with rider, array of 3 [m].
    forward_g: acceleration forward [g]; braking is below 0.

    Returns
    -------
    CorneringLimit [g]; 0 and 0 where braking or driving alone tips it.

    Raises
    ------
    ValueError: as in `stability.tip_over_g`.

    Examples
    --------
    >>> three = [(1.5, 0.0), (0.0, 0.5), (0.0, -0.5)]
    >>> [round(cornering_limit(three, (0.5, 0.0, 0.5), forward_g).turning_left_g, 4) for forward_g in (0.0, -0.3)]
    [0.6667, 0.5667]
    """
    points, centre = points_of(contacts_xy_m), place_of(cg_xyz_m)
    normals, distances = reach_to_edges(points, centre)
    left_over = distances + centre[2] * forward_g * normals[:, 0]
    if (left_over < 0).any():
        return CorneringLimit(0.0, 0.0)
    limits = []
    for side in (1.0, -1.0):
        toward = -side * centre[2] * normals[:, 1]
        reaching = toward > 1e-12
        limits.append(float((left_over[reaching] / toward[reaching]).min()))
    return CorneringLimit(*limits)


@kernel(
    title="Loads of contacts with stated stiffness",
    formula="Fᵢ = kᵢ (z₀ + α xᵢ + β yᵢ), never below 0, in balance with weight and inertia",
    source="Rigid frame on linear springs; statics. More than three share the weight by their stiffness alone.",
    returns="newton",
    contacts_xy_m=any_real(),
    stiffness_n_per_m=positive(),
    cg_xyz_m=any_real(),
    mass_kg=positive(),
    acceleration_xy_mps2=any_real(),
)
def elastic_contact_loads(
    contacts_xy_m: Places,
    stiffness_n_per_m: Numbers,
    cg_xyz_m: Places,
    mass_kg: float,
    acceleration_xy_mps2: Places = (0.0, 0.0),
) -> Any:
    """Load of each of three or more contacts, where each gives way by its stiffness and none can pull.

    Parameters
    ----------
    contacts_xy_m: forward and left place of each contact, array of shape (n, 2), n at least 3 [m].
    stiffness_n_per_m: of each contact, array of n [N/m], above 0. Equal values stand for a stiff frame on even ground.
    cg_xyz_m: forward, left and up place of the centre of gravity with rider, array of 3 [m].
    mass_kg: mass with rider [kg], above 0.
    acceleration_xy_mps2: of the machine, forward and left, array of 2 [m/s²].

    Returns
    -------
    Loads in the order of the contacts, array of n [N]; 0 for a contact that lifts.

    Raises
    ------
    ValueError: lengths differ, no balance is possible (it tips), or an argument is out of range.

    Examples
    --------
    >>> square = [(0.5, 0.5), (0.5, -0.5), (-0.5, -0.5), (-0.5, 0.5)]
    >>> [round(load, 2) for load in elastic_contact_loads(square, [1e4] * 4, (0.0, 0.0, 0.5), 100.0).tolist()]
    [245.17, 245.17, 245.17, 245.17]
    """
    points, centre = points_of(contacts_xy_m), place_of(cg_xyz_m)
    stiffness = np.atleast_1d(np.asarray(stiffness_n_per_m, dtype=np.float64))
    if stiffness.shape != (len(points),):
        raise ValueError(f"stiffness_n_per_m must be as long as contacts_xy_m ({len(points)}), got {stiffness.size}")
    forces = _forces(centre, mass_kg, acceleration_xy_mps2)
    rows = np.column_stack([np.ones(len(points)), points])
    touching = np.ones(len(points), dtype=bool)
    for _ in range(len(points)):
        springs = np.where(touching, stiffness, 0.0)
        balance = rows.T @ (springs[:, None] * rows)
        if touching.sum() < 3 or np.linalg.matrix_rank(balance) < 3:
            break
        loads = springs * (rows @ np.linalg.solve(balance, forces))
        if (loads >= -1e-9 * forces[0]).all():
            return np.maximum(loads, 0.0)
        touching &= loads > 0
    raise ValueError("cg_xyz_m and acceleration_xy_mps2 leave no balance on these contacts: the machine tips")


class Centre(NamedTuple):
    """Centre of gravity in space, with the standard uncertainty of each coordinate."""

    mass_kg: float
    u_mass_kg: float
    x_m: float
    u_x_m: float
    y_m: float
    u_y_m: float
    z_m: float
    u_z_m: float


@kernel(
    title="Centre of gravity in space, with its uncertainty",
    formula="r = Σ mᵢ rᵢ / M,  u²(r) = Σ [((rᵢ − r)/M)² u²(mᵢ) + (mᵢ/M)² u²(rᵢ)]",
    source="Statics, first moments of mass; JCGM 100:2008, 5.1.2 (masses and places measured each by itself).",
    mass_kg=not_negative(),
    u_mass_kg=not_negative(),
    places_m=any_real(),
    u_places_m=not_negative(),
)
def centre_in_space(mass_kg: Numbers, u_mass_kg: Numbers, places_m: Places, u_places_m: Places) -> Centre:
    """Where the masses balance, and how well that is known.

    Parameters
    ----------
    mass_kg, u_mass_kg: masses and their standard uncertainties, 1-D arrays of n [kg], not all 0.
    places_m, u_places_m: forward, left and up place of each and its standard uncertainty, arrays of shape (n, 3) [m].

    Returns
    -------
    Centre.

    Raises
    ------
    ValueError: lengths differ, the masses add up to 0, or an argument is out of range.

    Examples
    --------
    >>> centre = centre_in_space([60.0, 40.0], [0.6, 0.4], [(0.5, 0, 0.4), (1.0, 0, 0.9)], [(0.01,) * 3] * 2)
    >>> round(centre.x_m, 3), round(centre.z_m, 3), round(centre.u_z_m, 4)
    (0.7, 0.6, 0.0074)
    """
    masses, u_masses = np.atleast_1d(mass_kg), np.atleast_1d(u_mass_kg)
    places, u_places = np.asarray(places_m, dtype=np.float64), np.asarray(u_places_m, dtype=np.float64)
    if u_masses.shape != masses.shape or places.shape != (masses.size, 3) or u_places.shape != places.shape:
        raise ValueError(f"u_mass_kg, places_m and u_places_m must be as long as mass_kg ({masses.size})")
    total = float(masses.sum())
    if total == 0:
        raise ValueError("mass_kg must add up to more than 0 kg, got only zeros")
    centre = masses @ places / total
    by_mass = ((places - centre) / total * u_masses[:, None]) ** 2
    by_place = (masses[:, None] / total * u_places) ** 2
    u_x, u_y, u_z = (float(u) for u in np.sqrt((by_mass + by_place).sum(axis=0)))
    x, y, z = (float(value) for value in centre)
    return Centre(total, float(np.sqrt((u_masses**2).sum())), x, u_x, y, u_y, z, u_z)


@kernel(
    title="Centre of gravity from a tilt test",
    formula="h = d / tan φ,  u(h) = √[(u(d)/tan φ)² + (d u(φ)/sin² φ)²]",
    source="Statics of a rigid body: at the angle at which it just tips, the centre stands above the edge; "
    "JCGM 100:2008, 5.1.2.",
    returns="meter",
    distance_m=positive(),
    tilt_deg=strictly_between(0.0, 90.0),
    u_distance_m=not_negative(),
    u_tilt_deg=not_negative(),
)
def height_by_tilting(
    distance_m: Number, tilt_deg: Number, u_distance_m: Number = 0.005, u_tilt_deg: Number = 0.5
) -> Measured:
    """Height of the centre of gravity, from the tilt at which the machine balances on two of its contacts.

    Hold the machine with straps on both sides, with nobody on it and nobody below it.

    Parameters
    ----------
    distance_m: from the edge over which it tips to the centre of gravity, on the ground, float or array [m], above 0.
    tilt_deg: angle of the ground about that edge at which the far contact gets light [°], 0 to 90.
    u_distance_m, u_tilt_deg: their standard uncertainties.

    Returns
    -------
    Measured height [m].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> height = height_by_tilting(0.5, 45.0)
    >>> round(height.value, 3), round(height.u, 4)
    (0.5, 0.0101)
    """
    angle = np.radians(np.asarray(tilt_deg))
    height = np.asarray(distance_m) / np.tan(angle)
    by_distance = np.asarray(u_distance_m) / np.tan(angle)
    by_angle = np.asarray(distance_m) * np.radians(np.asarray(u_tilt_deg)) / np.sin(angle) ** 2
    return Measured(plain(height), plain(np.hypot(by_distance, by_angle)))
