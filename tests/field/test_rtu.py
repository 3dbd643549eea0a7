"""The guard around Modbus reads over a serial line, on pseudo-terminals."""

import asyncio
import os
import time
import tty
from collections.abc import Callable
from typing import Any

import pytest

from gateway.field.line_time import silence_s
from gateway.field.modbus import RtuMaster
from gateway.field.reply import Ask, Misfit, NoAnswer, NoLink, Refused
from gateway.site.model import ModbusRtuLink
from gateway.tags import Instant

ASK = Ask(17, 3, 107, 3)
WORDS = (749, 756, 763)  # what the device holds there


def rtu_master(
    path: str, now: Callable[[], Instant], timeout: str = "100 ms", baud: int = 115200
) -> RtuMaster:
    link = {"kind": "modbus-rtu", "name": "row", "line": path, "baud": baud, "timeout": timeout}
    return RtuMaster(ModbusRtuLink.model_validate(link), now)


async def test_the_published_frames(rtu_line: Any, now: Any) -> None:
    """Request and reply go over the line as published, checksums included."""
    rtu_line.reply = lambda frame: ((0.0, bytes.fromhex("01 03 06 02 2B 00 00 00 64 05 7A")),)
    master = rtu_master(rtu_line.path, now)
    assert (555, 0, 100) == (await master.read(Ask(1, 3, 0x6B, 3))).words
    rtu_line.reply = lambda frame: ((0.0, bytes.fromhex("01 83 02 C0 F1")),)
    with pytest.raises(Refused, match="illegal data address"):
        await master.read(Ask(1, 3, 0, 10))
    # CRC-16/MODBUS; its check value over "123456789" is 0x4B37
    assert b"\x37\x4b" == rtu_line.crc(b"123456789")
    assert bytes.fromhex("01 03 00 00 00 0A C5 CD") == rtu_line.requests[1][1]
    with pytest.raises(Misfit):
        await master.read(Ask(17, 3, 0x6B, 3))
    assert bytes.fromhex("11 03 00 6B 00 03 76 87") == rtu_line.requests[2][1]
    master.close()


async def test_a_late_rtu_reply_is_dropped(rtu_line: Any, now: Any) -> None:
    """After a time-out other units are asked at once, the silent one only when it has had its
    time; so its late reply is taken for nobody's."""
    late = {20: 0.16, 40: 0.0}
    good = rtu_line.good
    rtu_line.reply = lambda f: [(late.get(f[3], 0.0), good(f)[0][1])]
    master = rtu_master(rtu_line.path, now)
    with pytest.raises(NoAnswer):
        await master.read(Ask(1, 3, 20, 1))
    assert master.rest_s(1) > 0.5
    assert (420,) == (await master.read(Ask(2, 3, 60, 1))).words
    assert (280,) == (await master.read(Ask(1, 3, 40, 1))).words
    times_s = [at for at, _ in rtu_line.requests]
    assert times_s[2] - times_s[0] > 1.0
    master.close()


async def test_a_cancelled_rtu_read_leaves_no_trace(rtu_line: Any, now: Any) -> None:
    """The reply to a read that was given up is not taken for the next one's."""
    good = rtu_line.good
    rtu_line.reply = lambda f: [(0.06, good(f)[0][1])]
    master = rtu_master(rtu_line.path, now)
    reading = asyncio.create_task(master.read(Ask(1, 3, 20, 1)))
    await asyncio.sleep(0.03)
    reading.cancel()
    await asyncio.wait({reading})
    rtu_line.reply = good
    assert (280,) == (await master.read(Ask(1, 3, 40, 1))).words
    master.close()


@pytest.mark.parametrize("place", range(9))
async def test_noise_costs_a_time_out_and_no_more(rtu_line: Any, now: Any, place: int) -> None:
    """A reply with one bit wrong, wherever, is no value; the next read is good again."""
    good = rtu_line.good

    def flipped(frame: bytes) -> Any:
        reply = bytearray(good(frame)[0][1])
        reply[place] ^= 0x10
        return [(0.0, bytes(reply))]

    rtu_line.reply = flipped
    master = rtu_master(rtu_line.path, now, timeout="60 ms")
    began_s = time.monotonic()
    with pytest.raises(Misfit):
        await master.read(Ask(17, 3, 107, 2))
    assert time.monotonic() - began_s < 0.5
    rtu_line.reply = good
    assert WORDS[:2] == (await master.read(Ask(18, 3, 107, 2))).words
    master.close()


async def test_bytes_before_and_after_a_frame(rtu_line: Any, now: Any) -> None:
    """Stray bytes around a good frame give its value or an error, never another value."""
    good = rtu_line.good
    master = rtu_master(rtu_line.path, now, timeout="60 ms")
    for unit, (before, after) in enumerate(
        [(b"\xff", b""), (b"", b"\xff"), (b"\x01\x03", b""), (b"\x00" * 5, b"\x55\xaa")], 17
    ):
        rtu_line.reply = lambda f, b=before, a=after: [(0.0, b + good(f)[0][1] + a)]
        try:
            assert WORDS == (await master.read(Ask(unit, 3, 107, 3))).words
        except Misfit:
            pass
        rtu_line.reply = good
        assert WORDS == (await master.read(Ask(unit + 50, 3, 107, 3))).words
    master.close()


async def test_frames_are_parted_by_silence(rtu_line: Any, now: Any) -> None:
    """No request follows a reply sooner than 3.5 characters at 9600 baud."""
    master = rtu_master(rtu_line.path, now, baud=9600)
    for i in range(20):
        await master.read(Ask(1 + i % 2, 3, 0, 1))
    # What a pseudo-terminal passes on takes no line time, so the whole gap is silence. Source of
    # the 4.0104 ms: Serial Line V1.02, 2.5.1.1.
    gaps_s = [
        at - replied
        for (at, _), replied in zip(rtu_line.requests[1:], rtu_line.replied_s, strict=False)
    ]
    assert 19 == len(gaps_s)
    assert min(gaps_s) >= silence_s(9600) >= 0.0040104
    master.close()


async def test_the_line_has_time_for_its_characters(rtu_line: Any, now: Any) -> None:
    """The time-out is the device's own: a long reply at 1200 baud may take seconds longer."""
    good = rtu_line.good
    rtu_line.reply = lambda f: [(0.4, good(f)[0][1])]
    master = rtu_master(rtu_line.path, now, timeout="50 ms", baud=1200)
    # 8 + 5 + 50 characters of 9.17 ms are 0.58 s of line time.
    assert 25 == len((await master.read(Ask(1, 3, 0, 25))).words)
    master.close()


async def test_a_port_that_is_not_there(now: Any, tmp_path: Any) -> None:
    """A port that cannot be opened is named, and tried again at the next read."""
    master = rtu_master(str(tmp_path / "ttyUSB9"), now)
    for _ in range(2):
        with pytest.raises(NoLink, match=r"serial port .*ttyUSB9 cannot be opened"):
            await master.read(Ask(1, 3, 0, 1))


async def test_a_port_that_is_lost_is_noticed_at_once(now: Any) -> None:
    """A line that is pulled out ends the read then, and is a missing link from then on."""
    here, there = os.openpty()
    tty.setraw(there)
    master = rtu_master(os.ttyname(there), now, timeout="5 s")
    reading = asyncio.create_task(master.read(ASK))
    await asyncio.to_thread(os.read, here, 99)
    began_s = time.monotonic()
    os.close(there)
    os.close(here)
    with pytest.raises(Misfit, match="the link fell"):
        await reading
    assert time.monotonic() - began_s < 1.0
    with pytest.raises(NoLink):
        await master.read(ASK)
    assert master.was_connected
    master.close()


async def test_a_reply_from_before_the_request_is_nobodys(rtu_line: Any, now: Any) -> None:
    """A whole good frame that comes while the request still waits for silence is not its reply."""
    good, frame = rtu_line.good, bytes.fromhex("11 03 00 14 00 01")
    stale = good(frame + b"\0\0")[0][1]  # register 20 of unit 17
    rtu_line.reply = lambda f: [*good(f), (0.012, stale)]
    # At 1200 baud the silence is 32 ms, so the stale frame falls into it.
    master = rtu_master(rtu_line.path, now, timeout="500 ms", baud=1200)
    assert (280,) == (await master.read(Ask(17, 3, 40, 1))).words
    assert (420,) == (await master.read(Ask(17, 3, 60, 1))).words
    master.close()
