"""Does what a meter shows fit the role that the plan gives it?

Two witnesses are heard, and must not contradict each other: the power now (where it is known which
way is import), and the energy counters over the life of the meter, which name their direction
themselves.
"""

from __future__ import annotations

from collections.abc import Sequence

from busprobe.diagnosis.catalogue import finding
from busprobe.diagnosis.coupling.types import Answer, Holds, Role, Track, watts
from busprobe.model.finding import Evidence

# Below this a generator stands still: it draws its own control, a pump, a fan. The larger one
# counts. Common practice, no source.
IDLE_W = 100.0
IDLE_SHARE = 0.03
# So much of the readings must agree. Common practice, no source.
_AGREE = 0.9
_FEWEST = 5
# Counters say something once they have counted this much, and one much more than the other.
_COUNTED_WH = 10_000.0
_MUCH_MORE = 5.0
# A wrong verdict needs a generator that draws more than 3 % of its rating nearly all the time, or
# a house that feeds in without being told of. An estimate, not measured.
_PROBABLE = 0.97
# Below 60 degrees of latitude the sun is down at midnight and up at noon all year, an hour of
# daylight saving and of longitude either way (from memory).
DARK_HOURS = (23.0, 3.0)
NOON_HOURS = (11.0, 15.0)
# A limit of feed-in is judged over minutes, and within the error of a class 1 meter.
LIMIT_SLACK = 1.02
LIMIT_SLACK_W = 50.0
LIMIT_LEAST_S = 60.0


def idle_w(track: Track) -> float:
    """Below this power what the meter measures stands still [W]."""
    return max(IDLE_W, IDLE_SHARE * (track.rated_w or 0.0))


def _share(values: Sequence[float], above: float) -> float:
    return sum(v > above for v in values) / len(values)


def _flow(track: Track) -> int:
    """+1 it imports, -1 it exports, 0 neither for long enough, or unknown."""
    if not track.sign_known or len(track.p_w) < _FEWEST:
        return 0
    if _share(track.p_w, idle_w(track)) >= _AGREE:
        return 1
    return -1 if _share([-p for p in track.p_w], idle_w(track)) >= _AGREE else 0


def _counted(track: Track) -> int:
    """+1 its counters say import, -1 export, 0 they say nothing."""
    imported, exported = track.imported_wh, track.exported_wh
    if imported is None or exported is None or max(imported, exported) < _COUNTED_WH:
        return 0
    if imported > _MUCH_MORE * exported:
        return 1
    return -1 if exported > _MUCH_MORE * imported else 0


def _evidence(track: Track) -> tuple[Evidence, ...]:
    lines = []
    if track.p_w:
        known = "positive is import" if track.sign_known else "which sign is import is not known"
        low, high = min(track.p_w), max(track.p_w)
        lines.append(
            Evidence(
                None,
                f"power {watts(low)} to {watts(high)} in {len(track.p_w)} readings ({known})",
            )
        )
    if track.imported_wh is not None and track.exported_wh is not None:
        lines.append(
            Evidence(
                None,
                f"counters: {track.imported_wh / 1000:.1f} kWh import, "
                f"{track.exported_wh / 1000:.1f} kWh export",
            )
        )
    return tuple(lines)


def role_and_sign(track: Track) -> Answer:
    """Whether a meter of generation exports, and one of consumption imports."""
    wanted = {Role.GENERATION: -1, Role.CONSUMPTION: 1}.get(track.role)
    if wanted is None:
        return Answer(
            Holds.NOT_APPLICABLE, f"power flows both ways at a meter of the {track.role.value}"
        )
    evidence = _evidence(track)
    now, life = _flow(track), _counted(track)
    if now and life and now != life:
        text = "power now and counters contradict each other: was it turned, or is it new here?"
        return Answer(Holds.UNDECIDED, text, (), evidence)
    seen = now or life
    if not seen:
        why = (
            "it is not known which sign is import at this meter"
            if not track.sign_known
            else f"it stayed within {watts(idle_w(track))} most of the time"
        )
        return Answer(Holds.UNDECIDED, f"{why}, and its counters do not tell", (), evidence)
    ways = {1: "import", -1: "export"}
    rests = "by its power now" if now else "by its counters over its life"
    if seen == wanted:
        return Answer(Holds.YES, f"{ways[seen]}, {rests}", (), evidence)
    why = (
        "Its power is taken for what it is not: generation is counted as a load, or a load as "
        "generation."
    )
    told = finding(
        "role-contradicts-sign",
        probability=_PROBABLE,
        evidence=evidence,
        address=track.address,
        name=track.name,
        role=track.role.value,
        direction=f"{ways[seen]}, {rests}",
        why=why,
    )
    return Answer(Holds.NO, told.summary, (told,), evidence)


def _within(hour: float, window: tuple[float, float]) -> bool:
    low, high = window
    return low <= hour < high if low < high else hour >= low or hour < high


def daily_pattern(track: Track) -> Answer:
    """Whether a PV meter keeps to the sun: nothing at night, no import at noon."""
    if not track.hours or not track.sign_known:
        why = "the time of day" if not track.hours else "which sign is import"
        return Answer(Holds.UNDECIDED, f"{why} is not known")
    idle = idle_w(track)
    pairs = list(zip(track.hours, track.p_w, strict=True))
    night = [p for hour, p in pairs if _within(hour, DARK_HOURS)]
    noon = [p for hour, p in pairs if _within(hour, NOON_HOURS)]
    what = why = ""
    if len(night) >= _FEWEST and _share([abs(p) for p in night], idle) >= _AGREE:
        mean = sum(night) / len(night)
        what = f"carries {watts(abs(mean))} at night"
        why = "The sun is down at midnight."
    elif len(noon) >= _FEWEST and _share(noon, idle) >= _AGREE:
        mean = sum(noon) / len(noon)
        what = f"imports {watts(mean)} at noon"
        why = "Panels draw no power at noon."
    evidence = (
        *_evidence(track),
        Evidence(None, f"{len(night)} readings at night, {len(noon)} around noon, local time"),
    )
    if what:
        told = finding(
            "role-contradicts-day",
            probability=_PROBABLE,
            evidence=evidence,
            address=track.address,
            name=track.name,
            what=what,
            why=why,
        )
        return Answer(Holds.NO, told.summary, (told,), evidence)
    gives = len(noon) >= _FEWEST and _share([-p for p in noon], idle) >= _AGREE
    rests = len(night) >= _FEWEST and _share([abs(p) for p in night], idle) <= 1 - _AGREE
    if gives or rests:
        text = "it gives power at noon" if gives else "it rests at night"
        return Answer(Holds.YES, text, (), evidence)
    return Answer(Holds.UNDECIDED, "no readings at night or of clear sun at noon", (), evidence)


def export_limit(track: Track, limit_w: float) -> Answer:
    """Whether the export limit was kept while the grid meter was read."""
    evidence = _evidence(track)
    if not track.sign_known:
        return Answer(Holds.UNDECIDED, "which sign is import is not known", (), evidence)
    duration_s = track.t_s[-1] - track.t_s[0] if track.t_s else 0.0
    if duration_s < LIMIT_LEAST_S:
        text = f"{duration_s:.0f} s of readings are too few: limits are averages over minutes"
        return Answer(Holds.UNDECIDED, text, (), evidence)
    exported = -sum(track.p_w) / len(track.p_w)
    if exported > LIMIT_SLACK * limit_w + LIMIT_SLACK_W:
        told = finding(
            "export-limit-exceeded",
            probability=_PROBABLE,
            evidence=evidence,
            address=track.address,
            measured=watts(exported),
            limit=watts(limit_w),
            duration=f"{duration_s:.0f} s",
        )
        return Answer(Holds.NO, told.summary, (told,), evidence)
    if max(-p for p in track.p_w) < limit_w / 2:
        text = "the site never came near the limit while it was read"
        return Answer(Holds.UNDECIDED, text, (), evidence)
    return Answer(Holds.YES, f"{watts(max(exported, 0.0))} on the average", (), evidence)
