"""What the doctor judges, on computers of all three systems."""

from __future__ import annotations

import datetime
from dataclasses import replace

import pytest

from busprobe.cli import doctor_looks as looks
from busprobe.cli.doctor_looks import LINUX, MACOS, WINDOWS, Computer, Look

NOON = datetime.datetime(2027, 3, 1, 12, tzinfo=datetime.UTC)
RICH = {"TERM": "xterm-256color", "COLORTERM": "truecolor"}
GOOD = {
    LINUX: Computer(LINUX, RICH, "utf-8", (120, 40), NOON, True),
    MACOS: Computer(MACOS, {"TERM": "xterm-256color"}, "utf-8", (120, 40), NOON),
    WINDOWS: Computer(WINDOWS, {"WT_SESSION": "1"}, "utf-8", (120, 40), NOON),
}
SYSTEMS = pytest.mark.parametrize("system", [LINUX, MACOS, WINDOWS])
# A word that only the advice for this system may hold.
OWN = {
    LINUX: ("export LANG=C.UTF-8", "apt install", "timedatectl", "df -h"),
    MACOS: ("Set locale environment", "Menlo", "System Settings", "chown"),
    WINDOWS: ("chcp 65001", "Cascadia", "Sync now", "Properties, Security"),
}


def named(found: list[Look], area: str) -> Look:
    (look,) = [look for look in found if look.area == area]
    return look


@SYSTEMS
def test_a_good_computer_has_nothing_to_mend(system: str) -> None:
    computer = GOOD[system]
    found = [*looks.terminal(computer), looks.clock(computer), looks.disk(computer, "~", 5000)]
    assert [look.area for look in found if look.good is False] == []
    assert all(look.good for look in found if look.area != "font of the terminal")
    assert all(look.mend == "" for look in found if look.good)


@SYSTEMS
def test_each_system_is_told_its_own_way(system: str) -> None:
    bad = replace(
        GOOD[system], encoding="cp1252", size=(60, 20), now=datetime.datetime(
            1970, 1, 1, tzinfo=datetime.UTC),
    )  # fmt: skip
    terminal = looks.terminal(bad)
    encoding, font = (
        named(terminal, "text of the terminal"),
        named(terminal, "font of the terminal"),
    )
    size, clock = named(terminal, "size of the terminal"), looks.clock(bad)
    disk = looks.disk(bad, "~/recordings", None, "Permission denied")
    assert [look.good for look in (encoding, font, size, clock, disk)] == [
        False, None, False, False, False,
    ]  # fmt: skip
    told = (encoding.mend, font.mend, clock.mend, disk.mend)
    for text, word in zip(told, OWN[system], strict=True):
        assert word in text
        assert not [w for other in OWN if other != system for w in OWN[other] if w in text
                    and w not in OWN[system] and w != "chown"]  # fmt: skip
    assert "80 x 24" in size.mend
    assert ("Cmd" in size.mend) == (system == MACOS)
    assert "Permission denied" in disk.found


def test_another_system_is_told_all_ways() -> None:
    told = named(looks.terminal(Computer("FreeBSD", {}, "ascii")), "text of the terminal").mend
    assert all(name in told for name in ("Windows:", "Linux:", "macOS:"))


@pytest.mark.parametrize(
    ("system", "environment", "plain"),
    [
        (WINDOWS, {}, True),
        (WINDOWS, {"WT_SESSION": "1"}, False),
        (LINUX, {"TERM": "linux"}, True),
        (LINUX, {"TERM": "xterm-256color"}, False),
        (MACOS, {"TERM": "xterm-256color"}, False),
    ],
)
def test_a_window_without_braille_is_known(
    system: str, environment: dict[str, str], plain: bool
) -> None:
    from busprobe.tui.glyphs import GlyphMode, choose_glyphs

    computer = Computer(system, environment)
    assert computer.is_plain_console is plain
    assert ("half blocks" in named(looks.terminal(computer), "font of the terminal").found) is plain
    # What the doctor says is what the terminal interface does.
    chosen = choose_glyphs("auto", environment, windows=system == WINDOWS)
    assert (chosen.mode is GlyphMode.HALF) is plain


def test_colours_switched_off_are_worth_knowing_only() -> None:
    for system, word in ((WINDOWS, "set NO_COLOR="), (LINUX, "unset NO_COLOR")):
        computer = replace(GOOD[system], environment={"NO_COLOR": "1"})
        look = named(looks.terminal(computer), "colours of the terminal")
        assert look.good is None
        assert word in look.mend
    poor = replace(GOOD[LINUX], environment={"TERM": "vt100"})
    assert "vt100" in named(looks.terminal(poor), "colours of the terminal").found


def test_a_terminal_that_is_none_has_no_size() -> None:
    areas = [look.area for look in looks.terminal(replace(GOOD[LINUX], size=None))]
    assert "size of the terminal" not in areas
    assert "tmux" not in areas
    inside = looks.terminal(replace(GOOD[LINUX], environment={**RICH, "TMUX": "/tmp/x"}))
    assert "escape-time" in named(inside, "tmux").mend


def test_a_clock_that_follows_nobody_is_worth_knowing() -> None:
    free = looks.clock(replace(GOOD[LINUX], clock_is_set=False))
    assert free.good is None
    assert "timedatectl" in free.mend
    assert looks.clock(replace(GOOD[LINUX], clock_is_set=None)).good is True


def test_little_room_is_to_be_mended() -> None:
    assert looks.disk(GOOD[LINUX], "~", 99).good is False
    assert looks.disk(GOOD[LINUX], "~", 100).good is True


def test_ports_are_listed() -> None:
    assert looks.ports(GOOD[LINUX], ["/dev/ttyUSB0", "/dev/ttyUSB1"]).found.endswith("ttyUSB1")
    assert looks.ports(GOOD[LINUX], []).good is None
