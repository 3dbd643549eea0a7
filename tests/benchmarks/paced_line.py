"""A serial line that takes its time, with a device at its end; run as a program of its own.

    python paced_line.py BAUD

Prints the path of the port, serves reads of holding registers until its input is closed, then
prints a JSON line: the silence left before each request and the model's own lateness (seconds).
Characters of the request and of the reply take 11 bits each; the device answers after t3.5.
"""

import json
import os
import sys
import time
import tty
from select import select

SPIN_S = 0.0002  # a sleep of this machine kind is this late at worst, as a rule


def crc16(data: bytes) -> bytes:
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return crc.to_bytes(2, "little")


def wait_until(at_s: float) -> None:
    """Sleep most of the time and spin the rest: exact to some microseconds."""
    while (rest_s := at_s - time.monotonic()) > 0:
        if rest_s > SPIN_S:
            time.sleep(rest_s - SPIN_S)


def send_paced(port: int, data: bytes, begin_s: float, character_s: float) -> float:
    """Pass each character on when it has arrived whole; when the last one really was."""
    sent = 0
    end_s = begin_s + len(data) * character_s
    while sent < len(data):
        # No finer than half a millisecond: a real receiver's buffer is no finer either.
        wait_until(min(end_s, max(begin_s + (sent + 1) * character_s, time.monotonic() + 0.0005)))
        whole = len(data) if time.monotonic() >= end_s else 0
        whole = whole or min(len(data) - 1, int((time.monotonic() - begin_s) / character_s))
        if whole == len(data):
            end_s = time.monotonic()
        if whole > sent:
            os.write(port, data[sent:whole])
            sent = whole
    return end_s


def readable(port: int, due_s: float) -> bool:
    """Whether bytes have come; watched without pause when they are due, to get the time exact."""
    early_s = due_s - SPIN_S / 4 - time.monotonic()
    if early_s > 0 and select([port], [], [], early_s)[0]:
        return True
    while time.monotonic() < due_s + 1.5 * SPIN_S:
        if select([port], [], [], 0)[0]:
            return True
    ready = select([port, sys.stdin], [], [], 10)[0]
    return port in ready


def main() -> None:
    baud = int(sys.argv[1])
    character_s = 11 / baud
    silence_s = 3.5 * character_s if baud <= 19200 else 0.00175
    port, far_end = os.openpty()
    tty.setraw(port)
    tty.setraw(far_end)
    print(os.ttyname(far_end), flush=True)
    replies: dict[bytes, bytes] = {}
    silences_s: list[float] = []
    late_s: list[float] = []  # how late the model itself was
    reply_end_s = 0.0
    frame = b""
    while readable(port, reply_end_s + silence_s):
        seen_s = time.monotonic()
        if not frame and reply_end_s:
            silences_s.append(seen_s - reply_end_s)
        frame += os.read(port, 256)
        if len(frame) < 8:
            continue
        if frame not in replies:
            count = int.from_bytes(frame[4:6], "big")
            body = bytes((frame[0], 3, 2 * count)) + bytes(2 * count)
            replies[frame] = body + crc16(body)
        begin_s = seen_s + 8 * character_s + silence_s
        reply_end_s = send_paced(port, replies[frame], begin_s, character_s)
        late_s.append(reply_end_s - begin_s - len(replies[frame]) * character_s)
        frame = b""
    print(json.dumps({"silences_s": silences_s, "late_s": late_s}), flush=True)


if __name__ == "__main__":
    main()
