"""Numbers and checksums of received lines: what is taken, what is asked for again."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from rig.simulation.firmware import Slot

if TYPE_CHECKING:
    from rig.simulation.firmware import Firmware

_NUMBER = re.compile(r"^N(-?\d+)\s*")
_WORD = re.compile(r"^[GMT]\d+|^[A-Z_]{3,}")


def checksum(body: str) -> int:
    """XOR of all bytes before the asterisk."""
    total = 0
    for byte in body.encode("latin-1", "replace"):
        total ^= byte
    return total


def check_line(firmware: Firmware, line: str) -> Slot | None:
    """The command of a line that is taken; None where it was dropped or refused (and answered)."""
    line = line.strip("\r\n \t\x00")
    body, star, tail = line.partition("*")
    number: int | None = None
    match = _NUMBER.match(body)
    text = body.split(";")[0].strip()
    if match:
        text = body[match.end() :].split(";")[0].strip()
    if not text and not match:
        return None
    if firmware.family.numbered:
        if match:
            number = int(match[1])
            if not star or not tail.strip().isdigit():
                _refuse(firmware, "No Checksum with line number")
                return None
            if int(tail) != checksum(body):
                _refuse(firmware, "checksum mismatch")
                return None
            if text.split()[:1] == ["M110"]:
                firmware.last_number = number
            elif number != firmware.last_number + 1:
                if firmware.family.ok_on_receipt and number <= firmware.last_number:
                    firmware.say(f"ok duplicate line:{number}")
                    return None
                _refuse(firmware, "Line Number is not Last Line Number+1", got=number)
                return None
        elif star:
            _refuse(firmware, "No Line Number with checksum")
            return None
    word = _WORD.match(text.upper())
    strikes = firmware.faults.at_line(word[0] if word else "")
    firmware.lines_taken += 1
    kept: list[str] = []
    for strike in strikes:
        kept.extend(firmware.strike(strike))
    if firmware.halted:
        return None
    if "reset" in strikes or "silent-reset" in strikes:
        return None
    if "cable-cut" in strikes:
        return None
    if _complain(firmware, kept):
        return None
    if number is not None:
        firmware.last_number = number
    return Slot(text, number, kept)


def _refuse(firmware: Firmware, why: str, *, got: int | None = None) -> None:
    last = firmware.last_number
    if firmware.family.ok_on_receipt:
        shown = f"expected line {last + 1} got {got}" if got is not None else why
        firmware.say(f"Error:{shown}", f"Resend:{last + 1}", "ok")
    else:
        firmware.say(f"Error:{why}, Last Line: {last}", f"Resend: {last + 1}", "ok")


def _complain(firmware: Firmware, strikes: list[str]) -> bool:
    """Answer a good line as if it had been damaged; whether it was."""
    last = firmware.last_number
    mismatch = f"Error:checksum mismatch, Last Line: {last}"
    for strike in strikes:
        if strike == "resend-without-ok":
            firmware.say(mismatch, f"Resend: {last + 1}")
        elif strike == "resend-triple":
            firmware.say(*(mismatch, f"Resend: {last + 1}", "ok") * 3)
        elif strike == "flipped-bit":
            firmware.say(f"Error:checksum misoatch, Last Line: {last}", f"Resend: {last + 1}", "ok")
        elif strike == "impossible-resend":
            firmware.say(mismatch, "Resend: 1", "ok")
        else:
            continue
        return True
    return False
