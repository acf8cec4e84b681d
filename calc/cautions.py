"""The cautions shown beside numbers, each defined once."""

from __future__ import annotations

BATTERY = (
    "Lithium packs can burn, and so can cable and controller beyond what their makers allow. The maker's data and a "
    "qualified person decide how a pack may be built, charged and used."
)
TIPPING = "A rigid machine on even ground. Ruts, edges and a leaning rider tip it well below this."
CLIMBING = "What grips on the way up must hold on the way down. Wet ice and a bare runner hold far less."
TURNING = (
    "A machine that slides first can still tip: at an edge, a rut or a patch that grips. Ruts and a leaning rider tip "
    "it below this."
)
ICE_SPEED = "Speed on ice: a long, clear run-out, a helmet and a kill switch. Local rules decide."
STOPPING = (
    "On wet ice, on runners, or with one contact braked it is several times longer. Measure your own at low speed, and "
    "keep a run-out many times as long."
)
TOP_SPEED = "Speed and stopping distance grow together; on ice, far more than on a road. A top speed is no target."
COME_HOME = "Cold, wind and soft snow shorten it. Turn back before it says so, and carry what you need to walk home."
COLD = "Cover all skin, and watch each other's faces for white patches."
SLIPPING = "A track or wheel that slips grips less sideways too; on ice the machine may spin."
WIRING = (
    "A plan, not a proof: high current and lithium cells burn and kill. Makers' data, the local electrical code and a "
    "qualified person decide how it is wired and fused."
)
