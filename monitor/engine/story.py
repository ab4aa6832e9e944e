"""What the event tier remembers of a skid: a plain record that survives a trip through JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec

from monitor.engine.closures import HoldAnswer
from monitor.engine.look_back import Level
from monitor.engine.unwatched import Silence, Span
from monitor.engine.verification import Change
from monitor.forecast.watch import Watch
from monitor.hydraulics.network import Conditions

NORMAL, ISOLATED, RETURNED = "normal", "isolated", "returned"
Packed = list[float | None]
ASSUMED = 9.0                        # relative error of what was only assumed


class VesselMemory(msgspec.Struct):
    """One vessel since its last return. None: not known."""

    returned_at: int | None = None
    running_s: float = 0.0           # with flow, since then
    volume: float | None = 0.0       # m^3 through it, since then
    resistance: float | None = None  # Pa at its share, when last seen
    part: str = ""                   # what somebody told was fitted then, and who told; empty: nobody did
    fitted_by: str = ""


class ToldChange(msgspec.Struct):
    """A changeout that somebody told of. vessel: position; at: when [ns]."""

    vessel: int
    at: int
    part: str
    who: str
    why: str


class SeenChange(msgspec.Struct):
    """A changeout on record, and what was told of it. vessel None: the headers did not tell which; seen: by
    transmitters."""

    vessel: int | None
    isolated_at: int
    returned_at: int
    by: ToldChange | None = None
    seen: bool = True


class PackedChange(msgspec.Struct):
    """`verification.Change` as it is stored."""

    slot: int
    time: int
    before: Packed | None
    isolated: Packed | None
    after: Packed | None
    alike: bool = False                          # its element was found good
    helped: bool = False                         # a standby stood in for the vessel
    usual: Packed | None = None                  # the level before that came in
    lasting: float = 0.0                         # hours from leaving to coming back
    clean: tuple[float, float] | None = None     # reference as this change and those before it show it, relative error
    turbulent: tuple[float, float] | None = None     # the same of the turbulent part


class Standing(msgspec.Struct):
    """A breach that was told and has not been answered. Resistances [Pa], rates of ln(resistance) per running hour."""

    detail: str
    grade: str
    onset: int
    loss: float
    before: float
    after: float
    vessel: str | None
    running: int                     # the row tier's running seconds at the onset
    rate_before: float | None
    unwatched: list[Span] = []       # before it was found
    stall_tells: bool = False        # whether resistance that no longer grows would tell of a tear


class BreachStory(msgspec.Struct):
    """Losses of resistance: one being weighed, the level before the last stop, and what stands."""

    pending: str | None = None       # "in-service" or "after-restart"
    since: int = 0
    before: Packed | None = None
    answered: bool = False           # what stands still again moved as dP fell
    outlet_led: bool = False         # the outlet rose before the inlet fell
    last_steady: Packed | None = None
    stopped_at: int = 0              # when that stop began
    trace: list[tuple[int, float]] = []     # running seconds and normalised dP [Pa], every ten minutes of two hours
    standing: Standing | None = None


class Trim(msgspec.Struct):
    """A zero trim of a signal. Pressures [Pa] are taken off what it reads."""

    state: str                       # see `trims`
    offset: float                    # proposed, or in force
    before: float                    # what was in force before it
    error: float                     # standard error of `offset`
    shift: float                     # of dP, as it was raised
    pair: int                        # which of the two ways of telling dP
    time: int                        # when it was proposed


class Clock(msgspec.Struct):
    """The clock of a signal against the skid's reference, see `clocks`."""

    lags: list[float] = []           # seconds by which it came later, as the latest transients showed
    word: str = ""                   # "in step" or "apart"; "": not known yet
    lag: float = 0.0                 # in force [s]: what values are laid side by side by, later than the reference
    error: float = 0.0               # its standard error
    seen: int = 0                    # transients it rests on


class Swings(msgspec.Struct):
    """What a stretch of service without changeouts showed of dP against flow, for `separation`."""

    points: list[tuple[float, float, float, float, float]] = []     # volume [m^3], dP [Pa], then ratios: flow,
                                                                    # viscosity, density
    since: int = 0                   # the last changeout before them
    fresh: int = 0                   # points since the last fit
    surest: float | None = None      # error of the surest exponent so far


class PerhapsOut(msgspec.Struct):
    """What left hours ago and was not seen to come back: a vessel, or demand that rose."""

    since: int
    before: Packed | None            # level before it left
    step: float                      # rise of ln(normalised dP) that it made
    until: int                       # from then on it is forgotten


class Story(msgspec.Struct):
    """Where a skid stands between isolations."""

    vessels: list[VesselMemory]
    clean: tuple[float, float]       # resistance of a clean element [Pa at its share], relative standard error
    learned: int = 0                 # changeouts that it rests on
    base: tuple[float, float] | None = None          # the same as known without the changes kept below
    base_turbulent: tuple[float, float] | None = None    # turbulent part likewise [Pa], relative error
    idle_outlet: float | None = None     # outlet pressure without flow, when last seen [Pa]
    own_clean: dict[str, tuple[float, float, int]] = {}     # the same by vessel: resistance, error, changeouts
    phase: str = NORMAL
    vessel: int | None = None        # position of the isolated one, where its own pressure tells
    opened: bool = False             # its pressure fell to about nothing
    isolated_at: int = 0
    returned_at: int = 0
    before: Packed | None = None
    isolated: Packed | None = None
    after: Packed | None = None
    lived: VesselMemory | None = None    # the life that ended with the last return
    step: float = 0.0                    # rise of ln(normalised dP) that the last one to leave made
    perhaps_out: PerhapsOut | None = None
    looked_back: bool = False            # the isolation was only seen when it was over
    relief: float | None = None          # level of the usual vessels while a standby is in beside them, else None [Pa]
    relief_at: int = 0               # when it came in
    usual: Packed | None = None          # the same as it was seen before that came in
    left: tuple[int, float] | None = None    # when the standby last left, and the level then [Pa]
    helped: bool = False                 # a standby stood in for the isolated vessel
    held: tuple[int, float] = (0, 0.0)   # seconds and volume of the skid while it is not known which vessel is out
    running_mark: int = 0            # the row tier's running totals when the vessels were last credited
    volume_mark: float = 0.0
    changes: list[PackedChange] = []     # the last changeouts, oldest first
    places: list[float | None] = []      # resistance of each place in service after the last one [Pa at its share]
    shut_at: int = 0                 # when there was last found to be no path through the skid
    breach: BreachStory = msgspec.field(default_factory=BreachStory)
    trims: dict[str, Trim] = {}      # zero trims by signal, proposed or in force
    clocks: dict[str, Clock] = {}    # by signal, of those compared with the reference
    turbulent_error: float = ASSUMED     # relative, of the turbulent part that the row tier was given
    swings: Swings = msgspec.field(default_factory=Swings)
    acted: int = 0                   # number of the last action taken in
    told_changes: list[ToldChange] = []      # told by people, and not yet seen
    seen_changes: list[SeenChange] = []      # the last ones, oldest first
    forecast: Watch = msgspec.field(default_factory=Watch)
    suspect: list[tuple[str, str]] = []  # vessel, else its place, and detail of `changeout-suspect` that stand
    silence: Silence = msgspec.field(default_factory=Silence)
    holds: dict[str, HoldAnswer] = {}    # by vessel, and IDLE_SKID: the last hold of each


def pack(level: Level | None) -> Packed | None:
    if level is None:
        return None
    flat = (*level.state, level.inlet, level.outlet, level.turbidity, level.error, level.blocks, *level.vessels)
    return [float(x) if math.isfinite(x) else None for x in flat]


def change_of(packed: PackedChange) -> Change:
    levels = unpack(packed.before), unpack(packed.isolated), unpack(packed.after)
    return Change(packed.slot, packed.time, *levels, packed.alike, packed.helped, unpack(packed.usual), packed.lasting)


def unpack(packed: Packed | None) -> Level | None:
    if packed is None:
        return None
    flat: Sequence[float] = [math.nan if x is None else x for x in packed]
    return Level(Conditions(*flat[:4]), flat[4], flat[5], flat[6], tuple(flat[9:]), flat[7], int(flat[8]))
