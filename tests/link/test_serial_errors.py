import errno
import grp
import os
from pathlib import Path

import pytest
import serial

from busprobe.link.opening import open_link
from busprobe.link.serial_errors import error_number, losing_error, opening_error, settings_error
from busprobe.model.errors import LinkError
from busprobe.model.line import LineSettings, Parity, parse_link
from tests.conformance.far_ends import PtyEnd

SETTINGS = LineSettings(9600, Parity.EVEN)


def caught(number: int) -> serial.SerialException:
    """As pyserial 3.5 raises it when opening fails (serialposix.py, `open`)."""
    return serial.SerialException(number, f"could not open port X: {os.strerror(number)}")


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOENT, "There is no serial port"),
        (errno.ENODEV, "There is no serial port"),
        (errno.EBUSY, "Another program is using"),
        (errno.EAGAIN, "Another program is using"),
        (errno.EACCES, "not permitted"),
        (errno.ENOTTY, "is not a serial port"),
        (errno.EISDIR, "is not a serial port"),
        (errno.EIO, "no working serial hardware"),
        (errno.EINVAL, "refuses 9600 8E1"),
        (errno.EMFILE, os.strerror(errno.EMFILE)),
    ],
)
def test_each_cause_has_its_sentence_and_a_next_step(number: int, words: str) -> None:
    error = opening_error("/dev/ttyNONE", SETTINGS, caught(number))
    assert words in error.cause
    assert "ttyNONE" in error.cause
    assert error.cause.endswith(".")
    assert error.next_step.endswith(".")


# Texts of pyserial 3.5 on Windows (serialwin32.py, `open`: the error of the system is only in the
# text).
@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            "could not open port 'COM3': FileNotFoundError(2, 'The system cannot find the file "
            "specified.', None, 2)",
            "There is no serial port COM3",
        ),
        (
            "could not open port 'COM3': PermissionError(13, 'Access is denied.', None, 5)",
            "Another program is using COM3",
        ),
    ],
)
def test_the_texts_of_windows_are_understood(text: str, words: str) -> None:
    assert words in opening_error("COM3", SETTINGS, serial.SerialException(text)).cause


def test_the_number_is_found_behind_a_wrapping_exception() -> None:
    import termios

    def wrapped() -> None:
        try:
            raise termios.error(25, "Inappropriate ioctl for device")
        except termios.error as error:
            # What pyserial does when the attributes of a port cannot be read.
            raise serial.SerialException(f"Could not configure port: {error}")  # noqa: B904

    with pytest.raises(serial.SerialException) as trouble:
        wrapped()
    assert error_number(trouble.value) == errno.ENOTTY
    assert error_number(serial.SerialException("write failed: [Errno 5] Input/output error")) == 5
    assert error_number(ValueError("no number anywhere")) is None


def test_who_lacks_permission_is_told_the_group_and_the_command(tmp_path: Path) -> None:
    node = tmp_path / "ttyUSB0"
    node.touch(mode=0o660)
    node.chmod(0o660)
    group = grp.getgrgid(node.stat().st_gid).gr_name
    error = opening_error(str(node), SETTINGS, caught(errno.EACCES))
    assert f"group '{group}'" in error.cause
    assert f"sudo usermod -aG {group} $USER" in error.next_step


def test_a_group_that_may_not_use_the_port_is_not_advised(tmp_path: Path) -> None:
    node = tmp_path / "ttyUSB0"
    node.touch()
    node.chmod(0o600)
    assert "usermod" not in opening_error(str(node), SETTINGS, caught(errno.EACCES)).next_step


def test_the_name_of_a_port_cannot_act_on_the_terminal() -> None:
    error = opening_error("/dev/\x1b[2Jtty", SETTINGS, caught(errno.ENOENT))
    assert "\x1b" not in str(error)


def test_a_stalled_adapter_is_told_from_a_pulled_one() -> None:
    stalled = losing_error("/dev/ttyNONE", serial.SerialTimeoutException("Write timeout"))
    pulled = losing_error("/dev/ttyNONE", serial.SerialException("read failed: [Errno 5]"))
    assert "no more bytes" in stalled.cause
    assert "unplugged" in pulled.cause
    assert "19200 8N2" in settings_error("COM4", LineSettings(19200, stop_bits=2)).cause


def test_two_readers_are_a_cause_while_the_port_is_still_there() -> None:
    # The words of pyserial 3.5 (serialposix.py, `read`).
    text = "device reports readiness to read but returned no data (device disconnected or ...)"
    assert "another program" in losing_error("/dev/null", serial.SerialException(text)).cause
    assert "unplugged" in losing_error("/dev/ttyNONE", serial.SerialException(text)).cause


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("/dev/ttyNONE", "There is no serial port"),
        ("/dev/null", "is not a serial port"),
        ("/dev", "is not a serial port"),
        (__file__, "is not a serial port"),
    ],
)
async def test_what_cannot_be_opened_says_why(name: str, words: str) -> None:
    with pytest.raises(LinkError, match=words):
        await open_link(parse_link(name), None)


async def test_a_port_in_use_says_so() -> None:
    far = PtyEnd()
    link = await open_link(parse_link(far.name), None)
    with pytest.raises(LinkError, match="Another program is using"):
        await open_link(parse_link(far.name), None)
    await link.close()
    again = await open_link(parse_link(far.name), None)
    await again.close()
    await far.close()
