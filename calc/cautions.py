"""The cautions shown beside numbers, each defined once."""

from __future__ import annotations

BATTERY = (
    "Lithium packs can burn, and so can cable and controller beyond what their makers allow. The maker's data and a "
    "qualified person decide how a pack may be built, charged and used."
)
TIPPING = "A rigid machine on even ground. Ruts, edges and a leaning rider tip it well below this."
