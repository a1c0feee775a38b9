"""Forms of frames that chance seldom makes.

Far from any frame only these are believed. Of the public functions of MODBUS Application Protocol
V1.1b3, section 6, they leave out those whose frames are so short or so free in form that noise
imitates them often, and that a meter bus hardly knows (07, 0B, 0C, 11, 14 to 18, and more than 256
bits at once), and they hold the values to the limits the specification sets.

Expected number of false frames in random bytes: a form that fixes only the address range and the
function code passes its CRC once in 256 times 65536 bytes. Together the forms below make about 0.2
in a million bytes.
"""

from __future__ import annotations

import re

from busprobe.wire.functions import Role

LOOKAHEAD = 7
"""How many bytes from the address on a form looks at, at most."""

_ONE = rb"[\x01-\xf7]"
_ONE_OR_ALL = rb"[\x00-\xf7]"
_UP_TO_2000 = rb"(?:\x00[\x01-\xff]|[\x01-\x06].|\x07[\x00-\xd0])"
_UP_TO_1968 = rb"(?:\x00[\x01-\xff]|[\x01-\x06].|\x07[\x00-\xb0])"
_UP_TO_125 = rb"\x00[\x01-\x7d]"
_UP_TO_123 = rb"\x00[\x01-\x7b]"
_ON_OR_OFF = rb"(?:\xff\x00|\x00\x00)"
_EVEN = b"[" + b"".join(re.escape(bytes((count,))) for count in range(2, 251, 2)) + b"]"
_FEW_BITS = rb"[\x01-\x20]"
_REFUSED = rb"[\x81-\x88\x8b\x8c\x8f-\x91\x94-\x98\xab]"

_REQUESTS = (
    _ONE + rb"[\x01\x02].." + _UP_TO_2000,
    _ONE + rb"[\x03\x04].." + _UP_TO_125,
    _ONE_OR_ALL + rb"\x05.." + _ON_OR_OFF,
    _ONE_OR_ALL + rb"\x06",
    _ONE + rb"\x08\x00[\x00-\x14]",
    _ONE_OR_ALL + rb"\x0f.." + _UP_TO_1968 + rb"[\x01-\xf6]",
    _ONE_OR_ALL + rb"\x10.." + _UP_TO_123 + rb"[\x02-\xf6]",
    _ONE + rb"\x2b\x0e[\x01-\x04]",
)
_RESPONSES = (
    _ONE + rb"[\x01\x02][\x01-\xfa]",
    _ONE + rb"[\x03\x04]" + _EVEN,
    _ONE + rb"\x05.." + _ON_OR_OFF,
    _ONE + rb"\x06",
    _ONE + rb"\x08\x00[\x00-\x14]",
    _ONE + rb"\x0f.." + _UP_TO_1968,
    _ONE + rb"\x10.." + _UP_TO_123,
    _ONE + rb"\x2b\x0e[\x01-\x04]",
    _ONE + _REFUSED + rb"[\x01-\x08\x0a\x0b]",
)

LIKELY_AS = {
    Role.REQUEST: re.compile(b"|".join(_REQUESTS), re.DOTALL),
    Role.RESPONSE: re.compile(b"|".join(_RESPONSES), re.DOTALL),
}
"""The forms of a role, from the address on."""

LIKELY = re.compile(
    # All of them at once, found by the function code, which is rarer than an address; what this
    # finds too much is sorted out by the forms above.
    rb"(?<=[\x00-\xf7])(?:"
    + rb"|".join(
        (
            rb"[\x01\x02](?:" + _FEW_BITS + rb"|(?=..(?:" + _UP_TO_2000 + rb")))",
            rb"[\x03\x04](?:" + _EVEN + rb"|(?=.." + _UP_TO_125 + rb"))",
            rb"\x05.." + _ON_OR_OFF,
            rb"\x06",
            rb"\x08\x00[\x00-\x14]",
            rb"\x0f.." + _UP_TO_1968,
            rb"\x10.." + _UP_TO_123,
            rb"\x2b\x0e[\x01-\x04]",
            _REFUSED + rb"[\x01-\x08\x0a\x0b]",
        )
    )
    + rb")",
    re.DOTALL,
)
"""Where far from frames one may begin: matches from the function code on."""

POSSIBLE = re.compile(
    # The public functions, their exceptions, and defined exceptions to functions unknown.
    rb"(?<=[\x00-\xf7])(?:[\x01-\x08\x0b\x0c\x0f-\x11\x14-\x18\x2b]|"
    + _REFUSED
    + rb"|[\x80-\xff][\x01-\x0b])",
    re.DOTALL,
)
"""Where near a frame another may begin: matches from the function code on."""

POSSIBLE_LOOKAHEAD = 3
"""How many bytes from the address on that looks at, at most."""
