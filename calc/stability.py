"""Tipping: centre of gravity, contact loads, and the fastest turn.

Rigid-body thresholds on level, even ground: ruts, a shifting rider and a gripping edge tip a machine well below them.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from calc.declaration import Number, Numbers, Places, any_real, kernel, not_negative, plain, positive
from calc.support_polygon import STANDARD_GRAVITY_MPS2 as STANDARD_GRAVITY_MPS2
from calc.support_polygon import lifting_g, place_of, points_of, three_loads_n


class CentreOfGravity(NamedTuple):
    """All the mass, and where it balances: forward of the rear contact and above ground."""

    mass_kg: float
    x_m: float
    z_m: float


@kernel(
    title="Centre of gravity",
    formula="x = Σ mᵢ xᵢ / Σ mᵢ,  z = Σ mᵢ zᵢ / Σ mᵢ",
    source="Statics, first moments of mass.",
    mass_kg=not_negative(),
    x_m=any_real(),
    z_m=any_real(),
)
def centre_of_gravity(mass_kg: Numbers, x_m: Numbers, z_m: Numbers) -> CentreOfGravity:
    """Where the masses of fittings and rider balance.

    Parameters
    ----------
    mass_kg: masses, 1-D array of at least 1 [kg], 0 or more, not all 0.
    x_m, z_m: place of each, forward of the rear contact and above ground [m], same length.

    Returns
    -------
    CentreOfGravity.

    Raises
    ------
    ValueError: lengths differ, the masses add up to 0, or an argument is not finite.

    Examples
    --------
    >>> centre_of_gravity(mass_kg=[60.0, 40.0], x_m=[0.5, 1.0], z_m=[0.4, 0.9])
    CentreOfGravity(mass_kg=100.0, x_m=0.7, z_m=0.6)
    """
    masses, forward, height = (np.atleast_1d(values) for values in (mass_kg, x_m, z_m))
    if not masses.shape == forward.shape == height.shape:
        raise ValueError(
            f"x_m and z_m must be as long as mass_kg ({masses.size}), got {forward.size} and {height.size}"
        )
    total = float(masses.sum())
    if total == 0:
        raise ValueError("mass_kg must add up to more than 0 kg, got only zeros")
    return CentreOfGravity(total, float(masses @ forward) / total, float(masses @ height) / total)


PLACED_WITHIN = 0.10
"""Parts that weigh what the machine weighs, within this share, speak for all of it (common practice, no source)."""


class Rebalanced(NamedTuple):
    """A measured machine after some of its parts were changed."""

    mass_kg: float
    cg_height_m: float


@kernel(
    title="Measured mass and height, after parts changed",
    formula="M′ = M + Σ Δmᵢ,  h′ = (M h + Σ Δmᵢ zᵢ) / M′",
    source="Statics, first moments of mass.",
    mass_kg=positive(),
    cg_height_m=positive(),
    change_kg=any_real(),
    change_z_m=any_real(),
)
def after_changes(mass_kg: float, cg_height_m: float, change_kg: Numbers, change_z_m: Numbers) -> Rebalanced:
    """What was measured on a machine, moved by its changes; the rest stays as it was.

    Parameters
    ----------
    mass_kg, cg_height_m: of the whole machine as it was measured [kg], [m], above 0.
    change_kg: mass of each change, taken off below 0, 1-D array [kg]; a moved part is taken off and added again.
    change_z_m: height of each change above ground, same length [m].

    Returns
    -------
    Rebalanced. The height may come out at the ground or below it: then the figures contradict each other.

    Raises
    ------
    ValueError: lengths differ, nothing is left of the mass, or an argument is out of range.

    Examples
    --------
    >>> after_changes(mass_kg=100.0, cg_height_m=0.4, change_kg=[-20.0, 20.0], change_z_m=[0.3, 0.8])
    Rebalanced(mass_kg=100.0, cg_height_m=0.5)
    """
    masses, heights = np.atleast_1d(change_kg), np.atleast_1d(change_z_m)
    if masses.shape != heights.shape:
        raise ValueError(f"change_z_m must be as long as change_kg ({masses.size}), got {heights.size}")
    left_kg = mass_kg + float(masses.sum())
    if left_kg <= 0:
        raise ValueError(f"change_kg must leave a mass above 0 kg, got {left_kg:g} kg of {mass_kg:g} kg")
    return Rebalanced(left_kg, (mass_kg * cg_height_m + float(masses @ heights)) / left_kg)


class CentreOfGravityShift(NamedTuple):
    forward_m: Any
    up_m: Any


@kernel(
    title="Centre of gravity after moving one part",
    formula="Δx = m · δx / M,  Δz = m · δz / M",
    source="Statics, first moments of mass.",
    part_mass_kg=not_negative(),
    total_mass_kg=positive(),
    forward_m=any_real(),
    up_m=any_real(),
)
def shift_by_moving_a_part(
    part_mass_kg: Number, total_mass_kg: Number, forward_m: Number, up_m: Number
) -> CentreOfGravityShift:
    """How far the centre of gravity moves when one part is moved.

    Parameters
    ----------
    part_mass_kg: mass of the part, float or array [kg], 0 to the total.
    total_mass_kg: mass of everything with rider [kg], above 0.
    forward_m, up_m: how far the part is moved [m].

    Returns
    -------
    CentreOfGravityShift.

    Raises
    ------
    ValueError: the part is heavier than the total, or an argument is out of range.

    Examples
    --------
    >>> shift_by_moving_a_part(part_mass_kg=20.0, total_mass_kg=200.0, forward_m=0.0, up_m=-0.3)
    CentreOfGravityShift(forward_m=0.0, up_m=-0.03)
    """
    share = np.asarray(part_mass_kg) / np.asarray(total_mass_kg)
    if np.any(share > 1):
        raise ValueError(f"part_mass_kg must be at most total_mass_kg ({total_mass_kg} kg), got {part_mass_kg} kg")
    return CentreOfGravityShift(plain(share * forward_m), plain(share * up_m))


class ContactLoads(NamedTuple):
    rear_n: Any
    front_n: Any


@kernel(
    title="Contact loads",
    formula="F_front = m g x / L,  F_rear = m g − F_front",
    source="Statics, moments about the rear contact; g_n from ISO 80000-3:2019.",
    mass_kg=positive(),
    cg_forward_m=not_negative(),
    wheelbase_m=positive(),
)
def contact_loads(mass_kg: Number, cg_forward_m: Number, wheelbase_m: Number) -> ContactLoads:
    """How the weight is shared between front and rear.

    Parameters
    ----------
    mass_kg: mass with rider, float or array [kg], above 0.
    cg_forward_m: centre of gravity forward of the rear contact [m], 0 to the wheelbase.
    wheelbase_m: from rear to front contact [m], above 0.

    Returns
    -------
    ContactLoads [N].

    Raises
    ------
    ValueError: the centre of gravity is not between the contacts, or an argument is out of range.

    Examples
    --------
    >>> loads = contact_loads(mass_kg=100.0, cg_forward_m=0.5, wheelbase_m=2.0)
    >>> round(loads.rear_n, 3), round(loads.front_n, 4)
    (735.499, 245.1662)
    """
    share = np.asarray(cg_forward_m) / np.asarray(wheelbase_m)
    if np.any(share > 1):
        raise ValueError(f"cg_forward_m must be at most wheelbase_m ({wheelbase_m} m), got {cg_forward_m} m")
    weight_n = np.asarray(mass_kg) * STANDARD_GRAVITY_MPS2
    return ContactLoads(plain(weight_n * (1 - share)), plain(weight_n * share))


@kernel(
    title="Static stability factor",
    formula="SSF = T / (2 h)",
    source="NHTSA, 49 CFR 575 and 65 FR 34998 (2000): half the track width over the height of the centre of gravity.",
    track_width_m=positive(),
    cg_height_m=positive(),
)
def static_stability_factor(track_width_m: Number, cg_height_m: Number) -> Any:
    """Sideways acceleration, in g, at which a rigid four-contact machine tips on level ground.

    Parameters
    ----------
    track_width_m: between the contacts of one axle, float or array [m], above 0.
    cg_height_m: centre of gravity above ground, with rider [m], above 0.

    Returns
    -------
    The factor, without unit. For three contacts use `three_contact_threshold_g`: it is lower.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> round(static_stability_factor(track_width_m=1.2, cg_height_m=0.45), 4)
    1.3333
    """
    return plain(np.asarray(track_width_m) / (2.0 * np.asarray(cg_height_m)))


@kernel(
    title="Tip-over threshold of three contacts",
    formula="a/g = (T / 2h) · (a / L)",
    source="Moments about the line through the single contact and the outer contact of the pair; "
    "cf. Huston, Graves and Johnson, SAE 820139 (1982).",
    returns="standard_gravity",
    track_width_m=positive(),
    cg_height_m=positive(),
    wheelbase_m=positive(),
    cg_from_single_contact_m=not_negative(),
)
def three_contact_threshold_g(
    track_width_m: Number, cg_height_m: Number, wheelbase_m: Number, cg_from_single_contact_m: Number
) -> Any:
    """Sideways acceleration at which a rigid three-contact machine tips on level ground.

    What counts is how near the centre of gravity is to the pair, in front or at the rear.

    Parameters
    ----------
    track_width_m: between the two contacts of the pair, float or array [m], above 0.
    cg_height_m: centre of gravity above ground, with rider [m], above 0.
    wheelbase_m: from the single contact to the pair [m], above 0.
    cg_from_single_contact_m: along the machine [m], 0 to the wheelbase.

    Returns
    -------
    Threshold [g].

    Raises
    ------
    ValueError: the centre of gravity is not between the contacts, or an argument is out of range.

    Examples
    --------
    >>> round(three_contact_threshold_g(1.2, 0.45, 1.8, 1.2), 5)
    0.88889
    """
    share = np.asarray(cg_from_single_contact_m) / np.asarray(wheelbase_m)
    if np.any(share > 1):
        raise ValueError(
            f"cg_from_single_contact_m must be at most wheelbase_m ({wheelbase_m} m), got {cg_from_single_contact_m} m"
        )
    return plain(np.asarray(track_width_m) / (2.0 * np.asarray(cg_height_m)) * share)


class FastestTurn(NamedTuple):
    """The speed at which the machine slides or tips in a turn, and which comes first."""

    speed_mps: Any
    tips_first: Any


@kernel(
    title="Fastest turn of a radius",
    formula="v = √(min(μ, a/g) · g_n · R)",
    source="Circular motion with sideways grip μ and tip-over threshold a/g; g_n from ISO 80000-3:2019.",
    radius_m=positive(),
    threshold_g=positive(),
    friction=positive(),
)
def fastest_turn(radius_m: Number, threshold_g: Number, friction: Number) -> FastestTurn:
    """Speed at which a steady turn fails on level ground, and how: it slides, or it tips.

    A rut or patch that grips can tip a machine that would slide on the rest of the surface.

    Parameters
    ----------
    radius_m: radius of the turn, float or array [m], above 0.
    threshold_g: tip-over threshold [g], above 0.
    friction: sideways friction coefficient of contacts and surface, above 0; take it from a
        measured or cited range, never as one truth.

    Returns
    -------
    FastestTurn: speed [m/s] and whether it tips before it slides; where both come at once it tips.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> turn = fastest_turn(radius_m=15.0, threshold_g=0.88889, friction=1.2)
    >>> round(turn.speed_mps, 3), turn.tips_first
    (11.435, True)
    """
    tips = np.asarray(threshold_g) <= np.asarray(friction)
    limit = np.minimum(threshold_g, friction)
    speed_mps = np.sqrt(limit * STANDARD_GRAVITY_MPS2 * np.asarray(radius_m))
    return FastestTurn(plain(speed_mps), bool(tips) if tips.ndim == 0 else tips)


@kernel(
    title="Tip-over threshold in any direction",
    formula="a/g = min over edges of d(C) / (h cos φ), φ between the edge's outward normal and the inertia force",
    source="Statics of a rigid body; for three contacts as Huston, Graves and Johnson, SAE 820139 (1982).",
    returns="standard_gravity",
    contacts_xy_m=any_real(),
    cg_xyz_m=any_real(),
    direction_deg=any_real(),
)
def tip_over_g(contacts_xy_m: Places, cg_xyz_m: Places, direction_deg: Number) -> Any:
    """Horizontal acceleration at which the first contact lifts, on level, even ground that grips.

    A machine that turns left accelerates to its left and tips over its right; braking (180°) tips it over its front.

    Parameters
    ----------
    contacts_xy_m: forward and left place of each contact, array of shape (n, 2), n at least 3 [m].
    cg_xyz_m: forward, left and up place of the centre of gravity with rider, array of 3 [m].
    direction_deg: in which the machine accelerates, float or array [°]: 0 forward, 90 left.

    Returns
    -------
    Threshold for each direction [g]; infinite where no edge lies on that side.

    Raises
    ------
    ValueError: fewer than 3 contacts or all on one line, or the centre of gravity not between them.

    Examples
    --------
    >>> three = [(0.0, 0.0), (1.5, 0.5), (1.5, -0.5)]
    >>> round(tip_over_g(three, (1.0, 0.0, 0.5), 90.0), 4), round(tip_over_g(three, (1.0, 0.0, 0.5), 0.0), 4)
    (0.6667, 2.0)
    """
    return plain(lifting_g(points_of(contacts_xy_m), place_of(cg_xyz_m), np.asarray(direction_deg, dtype=np.float64)))


@kernel(
    title="Loads of three contacts",
    formula="Σ F = m g,  Σ F x = m (g x_C − a_x h),  Σ F y = m (g y_C − a_y h)",
    source="Statics, moments about the ground; g_n from ISO 80000-3:2019.",
    returns="newton",
    contacts_xy_m=any_real(),
    cg_xyz_m=any_real(),
    mass_kg=positive(),
    acceleration_xy_mps2=any_real(),
)
def contact_loads_n(
    contacts_xy_m: Places, cg_xyz_m: Places, mass_kg: float, acceleration_xy_mps2: Places = (0.0, 0.0)
) -> Any:
    """Load of each of three contacts, at rest or while the machine accelerates, brakes or turns on level ground.

    Parameters
    ----------
    contacts_xy_m, cg_xyz_m: as in `tip_over_g`, of three contacts.
    mass_kg: mass with rider [kg], above 0.
    acceleration_xy_mps2: of the machine, forward and left, array of 2 [m/s²]; at rest 0 and 0.

    Returns
    -------
    Loads in the order of the contacts, array of 3 [N]; one below 0 lifts.

    Raises
    ------
    ValueError: not three contacts, all on one line, or an argument is not finite.

    Examples
    --------
    >>> three = [(0.9, 0.4), (0.9, -0.4), (-0.6, 0.0)]
    >>> [round(load, 1) for load in contact_loads_n(three, (0.1, 0.03, 0.5), 150.0).tolist()]
    [398.4, 288.1, 784.5]
    """
    return three_loads_n(points_of(contacts_xy_m), place_of(cg_xyz_m), mass_kg, acceleration_xy_mps2)
