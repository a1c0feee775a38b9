"""What one receiver makes of the line, up to an instant that others ask for.

Theory of operation:

1. The line is known up to now. A receiver works it off lazily, from where it stood.
2. Where one driver alone speaks in the receiver's own settings, at levels that leave the comparator
   no choice, characters pass through with their exact times.
3. Everywhere else (two drivers at once, other settings, swapped wires, disturbances, marginal
   levels, frozen receivers) levels, comparator and UART are computed bit by bit.
4. Noise belongs to a pair that is driven or disturbed. Left alone, a comparator without bias keeps
   its last output, as such parts are said to do; when the pair does not, that is a disturbance of
   its own (`LineParameters.float_rate_hz`).
5. A host may speak at an instant up to which its port has already listened: `rewind` takes back
   what would have been heard after it.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from busprobe.model.chunk import Mark
from busprobe_sim.line.things import Disturbance, Thing, Transmission
from busprobe_sim.physics.chance import array_stream
from busprobe_sim.physics.receiver import NOISE_REACH_SIGMA, Times
from busprobe_sim.physics.uart import Resume, receive
from busprobe_sim.physics.waveform import (
    Output,
    Windows,
    beyond_common_mode,
    echoes,
    listen,
    windows,
)

if TYPE_CHECKING:
    from busprobe_sim.line.line import Line
    from busprobe_sim.line.node import Node

# A sampling receiver fails at 5 % between two clocks (computed with this UART model); below half of
# that it certainly follows.
_SAFE_CLOCK_RATIO = 0.025
# A character that begins in the last bit of a disturbance is over after one character.
_SETTLE_CHARACTERS = 1.25
_JOIN_CHARACTERS = 1.5
_MICROSECOND_NS = 1e3


@dataclass(frozen=True, slots=True)
class Heard:
    """Characters that were received.

    Attributes:
        data: Their values.
        starts: Start of each [ns].
        ends: End of each [ns].
        marks: What the UART said of each.
    """

    data: bytes
    starts: list[int]
    ends: list[int]
    marks: list[Mark]


class Hearing:
    """Receiver of one node.

    Attributes:
        values: Characters heard and not yet taken; `starts`, `ends` and `marks` go with them.
    """

    def __init__(self, line: Line, node: Node) -> None:
        self._line = line
        self._node = node
        self._generator = array_stream(line.seed, f"noise/{node.name}")
        self._clean: dict[tuple[int, int, str], bool] = {}
        self._followed: dict[int, bool] = {}
        self._idle: int | None = None
        self._passing: Transmission | None = None
        self._passed = 0
        self._raw = 1
        self._resume = Resume(float(line.now_ns))
        self.values = bytearray()
        self.starts: list[int] = []
        self.ends: list[int] = []
        self.marks: list[Mark] = []
        self._resumes: list[Resume | float] = []

    @property
    def cursor_ns(self) -> float:
        """Up to here the line has been worked off [ns]."""
        return self._resume.t_ns

    @property
    def inside_character(self) -> bool:
        """A character has begun and is not complete."""
        inside = self._passing is not None and self._passed < len(self._passing.data)
        return self._resume.partial or inside

    @property
    def busy(self) -> bool:
        """A character is in progress, or the line is held low."""
        return self.inside_character or self._resume.level == 0

    @property
    def _own_glitch_ns(self) -> float:
        return self._node.parameters.own_glitch_bits * self._node.bit_ns

    def _with_own_glitches(self, until_ns: int) -> list[Thing]:
        cursor = self._resume.t_ns
        reach = cursor - self._own_glitch_ns

        def matters(thing: Thing) -> bool:
            own = isinstance(thing, Transmission) and thing.node is self._node
            return thing.begin_ns < until_ns and thing.end_ns > (reach if own else cursor)

        return [x for x in self._line.things if matters(x)]

    def forget_levels(self) -> None:
        """The line has changed: what was known to be clean is not any more."""
        self._clean.clear()
        self._followed.clear()
        self._idle = None

    def restart(self, t_ns: int) -> None:
        """Start hunting anew at an instant, settings having changed."""
        self._clean.clear()
        self._passing = None
        self._resume = Resume(float(t_ns))

    def take(self, until_ns: float = math.inf) -> Heard:
        """Hand over the characters that ended by an instant [ns]."""
        count = bisect_right(self.ends, until_ns)
        heard = Heard(
            bytes(self.values[:count]), self.starts[:count], self.ends[:count], self.marks[:count]
        )
        del self.values[:count], self.starts[:count], self.ends[:count]
        del self.marks[:count], self._resumes[:count]
        return heard

    def rewind(self, t_ns: int) -> None:
        """Forget what was worked off beyond an instant [ns]."""
        if self._resume.t_ns <= t_ns:
            return
        self._passing = None
        kept = bisect_right(self.ends, t_ns)
        if kept == len(self.ends):
            if self._resume.start_ns is None:
                self._resume = Resume(float(t_ns), self._resume.level)
            return
        before = self._resumes[kept - 1] if kept else None
        if isinstance(before, Resume) and before.start_ns is not None:
            self._resume = before
        else:
            self._resume = Resume(float(min(self.starts[kept], t_ns)), 1, None, True)
        self._raw = self._resume.level
        del self.values[kept:], self.starts[kept:], self.ends[kept:]
        del self.marks[kept:], self._resumes[kept:]

    def advance(self, until_ns: int) -> None:
        """Work the line off up to an instant [ns]; the line must be known up to it."""
        if until_ns <= self._resume.t_ns:
            return
        if self._node.parameters.dead_receiver:
            self._resume = Resume(float(until_ns))
            return
        cursor = self._resume.t_ns
        if self._passing is not None and self._passing.end_ns <= cursor:
            self._passing = None
        things = [x for x in self._line.things if x.end_ns > cursor and x.begin_ns < until_ns]
        if self._own_glitch_ns:
            things = self._with_own_glitches(until_ns)
        character = self._node.timing.character_ns
        i = 0
        while i < len(things):
            thing = things[i]
            following = things[i + 1].begin_ns if i + 1 < len(things) else math.inf
            if self._pass_through(thing, min(until_ns, following), following):
                i += 1
                continue
            self._skip_idle(thing.begin_ns)
            end = thing.end_ns + self._own_glitch_ns
            first = i
            i += 1
            while i < len(things) and things[i].begin_ns < end + _JOIN_CHARACTERS * character:
                end = max(end, things[i].end_ns + self._own_glitch_ns)
                i += 1
            self._sample(things[first:i], min(until_ns, end + _SETTLE_CHARACTERS * character))
        resume = self._resume
        if resume.t_ns >= until_ns or self._passing is not None:
            return
        if resume.partial or resume.level != self._idle_level(resume.level):
            self._sample(things, until_ns)
        if not self._resume.partial:
            self._resume = Resume(float(until_ns), self._resume.level)

    def _skip_idle(self, until_ns: float) -> None:
        """Nothing comes of an idle line up to an instant [ns], so it need not be looked at."""
        resume, level = self._resume, self._resume.level
        settled = not resume.partial and self._raw == level == self._idle_level(level)
        if settled and resume.t_ns < until_ns:
            self._resume = Resume(float(until_ns), level)

    def _idle_level(self, last: int) -> int:
        decided = self._idle
        if decided is None:
            volts = self._line.idle_v(self._node)
            decided = self._idle = self._node.parameters.comparator.decide(volts)
        return last if decided == 0 else (decided + 1) // 2

    # -- characters that nothing can happen to

    def _pass_through(self, thing: Thing, limit: float, following: float) -> bool:
        """Let a clean transmission pass up to `limit`; False when bits have to be computed."""
        resume = self._resume
        if not isinstance(thing, Transmission):
            return False
        if thing is not self._passing:
            if resume.partial or resume.level == 0 or resume.t_ns > thing.start_ns:
                return False
            if thing.node is self._node and not self._node.parameters.hears_itself:
                if following < thing.end_ns or self._own_glitch_ns:
                    return False
                self._resume = Resume(min(limit, thing.end_ns))
                return True
            if not self._is_clean(thing):
                return False
            self._passing, self._passed = thing, 0
        starts, ends = thing.character_times(self._node.bits_per_character)
        done, count = self._passed, len(ends)
        upto = count if ends[-1] <= limit else bisect_right(ends, limit)
        if upto > done:
            self.values += thing.data[done:upto]
            self.starts += starts[done:upto]
            self.ends += ends[done:upto]
            self.marks += [Mark.GOOD] * (upto - done)
            # Hunting goes on in the middle of the stop bit.
            half = 0.5 * thing.bit_ns
            self._resumes += [end - half for end in ends[done:upto]]
            self._passed = upto
            self._resume = Resume(ends[upto - 1] - half)
        if upto == count and limit >= min(thing.end_ns, following):
            self._passing = None
            self._resume = Resume(max(self._resume.t_ns, min(limit, thing.end_ns)))
            return following >= thing.end_ns
        if limit < following:
            return True
        self._passing = None
        return False

    def _is_clean(self, thing: Transmission) -> bool:
        """Whether a transmission that is alone passes through this receiver unharmed."""
        sender = thing.node
        if sender.parameters.on_glitch_bits or sender.parameters.off_glitch_bits:
            return False
        if self._line.parameters.force_bits or thing.end_ns < thing.last_ns:
            return False
        key = (sender.index, thing.settings.baud, thing.settings.parity.value)
        kept = self._clean.get(key)
        if kept is None:
            kept = self._clean[key] = self._finds_clean(sender, thing)
        return kept

    def _finds_clean(self, sender: Node, thing: Transmission) -> bool:
        if thing.settings.parity is not self._node.settings.parity:
            return False
        if abs(thing.bit_ns / self._node.bit_ns - 1.0) > _SAFE_CLOCK_RATIO:
            return False
        return self._follows(sender)

    def _follows(self, sender: Node) -> bool:
        """Whether the comparator follows a sender that is alone, whatever the noise does."""
        kept = self._followed.get(sender.index)
        if kept is None:
            kept = self._followed[sender.index] = self._finds_followed(sender)
        return kept

    def _finds_followed(self, sender: Node) -> bool:
        node, line = self._node, self._line
        comparator, sigma = node.parameters.comparator, NOISE_REACH_SIGMA
        if self._may_freeze or line.parameters.round_trip_us > 0.0:
            return False
        idle = line.idle_v(node)
        one = idle if sender.parameters.driver.zeros_only else line.driven_v(sender, 1, node)
        zero = line.driven_v(sender, 0, node)
        if comparator.decide(zero, sigma) != -1 or comparator.decide(one, sigma) != 1:
            return False
        return comparator.decide(idle) != -1

    @property
    def _may_freeze(self) -> bool:
        parameters = self._node.parameters
        reach = abs(parameters.ground_v) + parameters.ground_ac_v
        return reach > self._line.parameters.common_mode_limit_v

    # -- characters bit by bit

    def _sample(self, things: Sequence[Thing], until_ns: float) -> None:
        node, resume = self._node, self._resume
        if until_ns <= resume.t_ns:
            return
        self._passing = None
        edges = self._followed_edges(things, until_ns)
        output = None
        if edges is None:
            output = self._computed(things, until_ns)
            edges = output.edges_ns
        received, self._resume = receive(edges, resume, until_ns, node.timing)
        self.values += received.values
        self.starts += received.starts_ns
        self.ends += received.ends_ns
        self.marks += received.marks
        self._resumes += received.resumes
        if output is None:
            self._raw = self._resume.level
        else:
            self._raw = output.raw_before(self._resume.t_ns, self._raw)

    def _followed_edges(self, things: Sequence[Thing], until_ns: float) -> Times | None:
        """Edges of a single sender that this comparator follows without doubt, else None."""
        if len(things) != 1:
            return None
        (thing,) = things
        if not isinstance(thing, Transmission) or thing.node is self._node:
            return None
        if thing.end_ns < thing.last_ns or thing.node.parameters.off_glitch_bits:
            # It ends on a 0, which a comparator may keep on an undriven line.
            return None
        if not self._follows(thing.node):
            return None
        edges = thing.track.edges
        first, last = edges.searchsorted((self._resume.t_ns, until_ns)).tolist()
        # Odd inside a low level, which a receiver that got here otherwise may not have seen.
        if (first & 1) == self._resume.level or self._raw != self._resume.level:
            return None
        return edges[first:last]

    def _computed(self, things: Sequence[Thing], until_ns: float) -> Output:
        """Levels out of the comparator, from voltages and noise."""
        node, line, begin = self._node, self._line, self._resume.t_ns
        parameters, rules = node.parameters, line.parameters
        sent = [x for x in things if isinstance(x, Transmission)]
        muted: Windows | None = None
        if not parameters.hears_itself:
            own = [(x.begin_ns, x.end_ns) for x in sent if x.node is node]
            muted = windows(own) if own else None
        low: Windows | None = None
        if self._own_glitch_ns:
            ends = [x.end_ns for x in sent if x.node is node]
            low = windows([(end, end + self._own_glitch_ns) for end in ends])
        frozen: Windows | None = None
        if self._may_freeze:
            frozen = beyond_common_mode(
                parameters.ground_v,
                parameters.ground_ac_v,
                rules.mains_hz,
                rules.common_mode_limit_v,
                begin,
                until_ns,
            )
        return listen(
            [x.track for x in sent],
            [x.added for x in things if isinstance(x, Disturbance)],
            line.levels,
            node.index,
            parameters.swapped,
            parameters.comparator,
            begin,
            until_ns,
            self._raw,
            self._resume.level,
            self._generator,
            sample_ns=node.bit_ns / rules.samples_per_bit,
            muted=muted,
            low=low,
            frozen=frozen,
            echoes=echoes(rules.round_trip_us * _MICROSECOND_NS, rules.reflection),
        )
