"""What real lines and devices do to an answer: one play a fault, and what the link must call it.

A status stands for what the read with the fault comes to; ``A|B`` where the moment decides; empty where the fault
cannot be on that transport.
"""

from collections.abc import Callable
from dataclasses import dataclass

from .device import Play, SocketDevice, Stage, StallsError, Transport, answers
from .fault_server import OTHER_FUNCTION, Request

QUICK_S = 0.05
"""Deadline of a read whose answer is not to come in time."""
LATENCY_S = 0.05
"""Declared for the line where no answer comes late."""
PATIENT_LATENCY_S = 0.7
"""Declared where one does: so much more than it is late that no load of the machine can change what is right."""


@dataclass(frozen=True, kw_only=True)
class Fault:
    name: str
    play: Play
    tcp: str
    """What the read comes to on Modbus TCP,"""
    serial: str
    """RTU on a serial line,"""
    rtu_tcp: str
    """and RTU over TCP."""
    quick: bool = False
    """The read ends by its deadline."""
    times: int = 1
    """So many requests in a row."""
    latency_s: float = LATENCY_S
    settles: bool = False
    """More comes after the answer: wait for the play's end before the next read."""
    goes_away: bool = False
    """Nobody is there at all until the read has been made."""

    def status(self, transport: Transport) -> str:
        return {Transport.TCP: self.tcp, Transport.SERIAL: self.serial, Transport.RTU_TCP: self.rtu_tcp}[transport]


def _fault(
    name: str, play: Play, status: str, *, tcp: str | None = None, serial: str | None = None, **other: object
) -> Fault:
    return Fault(
        name=name,
        play=play,
        tcp=status if tcp is None else tcp,
        serial=status if serial is None else serial,
        rtu_tcp=status,
        **other,  # type: ignore[arg-type]
    )


def _sends(made: Callable[[Stage], bytes]) -> Play:
    async def play(stage: Stage) -> None:
        await stage.send(made(stage))

    return play


def _after(seconds: float, made: Callable[[Stage], bytes]) -> Play:
    async def play(stage: Stage) -> None:
        await stage.pause(seconds)
        await stage.send(made(stage))

    return play


def _in_pieces(made: Callable[[Stage], bytes], size: int, apart_s: float) -> Play:
    async def play(stage: Stage) -> None:
        whole = made(stage)
        await stage.send(whole[:size])
        for k in range(size, len(whole), size):
            await stage.pause(apart_s)
            await stage.send(whole[k : k + size])

    return play


def _good_then(made: Callable[[Stage], bytes], seconds: float) -> Play:
    async def play(stage: Stage) -> None:
        await stage.send(stage.answer())
        await stage.pause(seconds)
        await stage.send(made(stage))

    return play


def truncated(octets: int) -> Play:
    return _sends(lambda s: s.answer()[:octets])


def truncated_and_gone(octets: int) -> Play:
    async def play(stage: Stage) -> None:
        await stage.send(stage.answer()[:octets])
        await stage.device.hang_up()

    return play


def exception(code: int) -> Play:
    return _sends(lambda s: s.refusal(code))


def flipped(octet: int, bit: int) -> Play:
    return _sends(lambda s: _with(s.answer(), octet, s.answer()[octet] ^ 1 << bit))


def late(seconds: float) -> Play:
    return _after(seconds, lambda s: s.answer())


async def nothing(_: Stage) -> None:
    pass


async def half_open(stage: Stage) -> None:
    """This connection is dead without a word; the next one is served."""
    if isinstance(stage.device, SocketDevice):
        raise StallsError


async def hangs_up(stage: Stage) -> None:
    await stage.device.hang_up()


async def resets(stage: Stage) -> None:
    await stage.device.reset()


def _again(play: Play) -> Play:
    """With the next request as well."""

    async def both(stage: Stage) -> None:
        stage.device.script.appendleft(play)
        await play(stage)

    return both


async def turns_away(stage: Stage) -> None:
    assert isinstance(stage.device, SocketDevice)
    stage.device.turns_away = 2
    await stage.device.hang_up()


def _with(good: bytes, place: int, value: int) -> bytes:
    return good[:place] + bytes((value,)) + good[place + 1 :]


def _byte_count(change: int) -> Callable[[Stage], bytes]:
    def made(stage: Stage) -> bytes:
        place = 2 if stage.is_rtu else 8
        good = stage.answer()
        bent = _with(good, place, good[place] + change)
        return stage.frame(bent[2:-2]) if stage.is_rtu else bent

    return made


def _other_framing(stage: Stage) -> bytes:
    body = stage.answer()[2:-2] if stage.is_rtu else stage.answer()[8:]
    pdu = bytes((stage.request.unit, stage.request.function)) + body
    return b"\x00\x01\x00\x00" + len(pdu).to_bytes(2, "big") + pdu if stage.is_rtu else pdu + b"\x12\x34"


def _neighbours(stage: Stage) -> bytes:
    """Another master asks another unit on the same line, and is answered."""
    r = stage.request
    other = Request(r.transaction + 7, r.unit + 1, r.function, r.address, r.count, r.number)
    theirs = Stage(other, stage.raw, stage.device, stage.send)
    return theirs.frame(r.address.to_bytes(2, "big") + r.count.to_bytes(2, "big")) + theirs.answer()


def _crc(change: Callable[[bytes], bytes]) -> Play:
    return _sends(lambda s: s.answer()[:-2] + change(s.answer()[-2:]))


_MISMATCH, _SHORT, _SILENT, _SLOW, _RESET = "MISMATCH", "SHORT", "SILENT", "SLOW", "RESET"
_ONCE_MORE = "OK|RESET"
"""Where answers are numbered a good connection that ends is asked once more on a new one: which may end as well."""
_OTHER = OTHER_FUNCTION[4]
_NO = ""

FAULTS: tuple[Fault, ...] = (
    # ---- time
    _fault("accepts and says nothing", nothing, _SILENT, quick=True),
    _fault("says nothing five times", nothing, "SILENT|ABSENT", tcp=_SILENT, serial=_SILENT, quick=True, times=5),
    _fault("answers after the deadline", late(2 * QUICK_S), "SILENT", quick=True, latency_s=PATIENT_LATENCY_S),
    _fault(
        "answers twice after the deadline",
        late(2 * QUICK_S),
        "SILENT|SLOW|ABSENT",
        quick=True,
        times=2,
        latency_s=PATIENT_LATENCY_S,
    ),
    _fault("half-open connection", half_open, _SILENT, quick=True),
    _fault("trickle, not complete in time", _in_pieces(lambda s: s.answer(), 1, 0.008), _SLOW, quick=True),
    _fault("trickle, in time", _in_pieces(lambda s: s.answer(), 1, 0.001), "OK"),
    _fault("two halves, 30 ms apart", _in_pieces(lambda s: s.answer(), 15, 0.03), "OK"),
    # ---- the connection
    _fault("connection closed", hangs_up, _RESET, tcp=_ONCE_MORE),
    _fault("connection reset", resets, _RESET, tcp=_ONCE_MORE),
    _fault("connection closed, and the next one too", _again(hangs_up), _RESET, serial=_NO),
    _fault("half an answer, then closed", truncated_and_gone(12), _RESET),
    _fault("nobody there", nothing, "REFUSED", serial="ABSENT", goes_away=True),
    _fault("closed, and two fresh connections too", turns_away, _RESET, serial=_NO),
    # ---- which answer
    _fault("other transaction", _sends(lambda s: s.answer(transaction=s.request.transaction + 1)), _NO, tcp=_MISMATCH),
    _fault("transaction before", _sends(lambda s: s.answer(transaction=s.request.transaction - 1)), _NO, tcp=_MISMATCH),
    _fault("transaction 0", _sends(lambda s: s.answer(transaction=0)), _NO, tcp=_MISMATCH),
    _fault("other protocol", _sends(lambda s: s.answer(protocol=1)), _NO, tcp=_MISMATCH),
    _fault("other unit", _sends(lambda s: s.answer(unit=s.request.unit ^ 1)), _MISMATCH),
    _fault("unit 0", _sends(lambda s: s.answer(unit=0)), _MISMATCH),
    _fault("other function", _sends(lambda s: s.answer(function=_OTHER)), _MISMATCH),
    _fault("answer of a shorter request", _sends(lambda s: s.answer(s.request.count - 1)), _SHORT),
    _fault("answer of a longer request", _sends(lambda s: s.answer(s.request.count + 1)), _MISMATCH),
    _fault("half the registers", _sends(lambda s: s.answer(s.request.count // 2)), _SHORT),
    _fault("duplicate at once", _sends(lambda s: s.answer() * 2), _MISMATCH),
    _fault("duplicate right behind", _good_then(lambda s: s.answer(), 0.0), "OK|MISMATCH", settles=True),
    _fault("answer again, unasked", _good_then(lambda s: s.answer(), 0.03), "OK", settles=True),
    _fault("another master's frames", _sends(_neighbours), _MISMATCH),
    # ---- the frame
    _fault("byte count too small", _sends(_byte_count(-2)), _MISMATCH),
    _fault("byte count too large", _sends(_byte_count(2)), _MISMATCH),
    _fault("other length field", _sends(lambda s: _with(s.answer(), 5, s.answer()[5] + 1)), _NO, tcp=_MISMATCH),
    _fault("garbage behind", _sends(lambda s: s.answer() + b"\x5a"), _MISMATCH),
    _fault("garbage right behind", _good_then(lambda _: b"\x5a\xa5", 0.0), "OK|MISMATCH", settles=True),
    _fault("garbage in front", _sends(lambda s: b"\xde\xad" + s.answer()), _MISMATCH),
    _fault("one zero byte in front", _sends(lambda s: b"\x00" + s.answer()), _MISMATCH),
    _fault("checksum wrong", _crc(lambda c: bytes((c[0] ^ 0x40, c[1]))), _MISMATCH, tcp=_NO),
    _fault("checksum high byte first", _crc(lambda c: c[::-1]), _MISMATCH, tcp=_NO),
    _fault("one bit of the data flipped", flipped(10, 3), _MISMATCH, tcp=_NO),
    _fault("one bit of the byte count flipped", flipped(2, 0), _MISMATCH, tcp=_NO),
    _fault("framed for the other transport", _sends(_other_framing), _MISMATCH),
    # ---- refusals
    _fault("exception of another function", _sends(lambda s: s.refusal(2, function=_OTHER | 0x80)), _MISMATCH),
    _fault("exception of another unit", _sends(lambda s: s.refusal(2, unit=s.request.unit ^ 1)), _MISMATCH),
    _fault("exception 0", exception(0), _MISMATCH),
    _fault("exception 0x83", exception(0x83), _MISMATCH),
    _fault("exception cut off", _sends(lambda s: s.refusal(2)[:-1]), _SLOW, quick=True),
    _fault("exception and more", _sends(lambda s: s.refusal(2) + b"\x00"), _MISMATCH),
    # ---- noise
    _fault("garbage alone", _sends(lambda _: b"\xde\xad\xbe\xef" * 5), _MISMATCH),
    _fault("flood of garbage", _sends(lambda _: b"\xde\xad\xbe\xef" * 20_000), _MISMATCH, settles=True),
    _fault("flood of right answers", _sends(lambda s: s.answer() * 2_000), "OK|MISMATCH", settles=True),
    _fault("flood of other units' answers", _sends(lambda s: s.answer(unit=9) * 2_000), _MISMATCH, settles=True),
    _fault("a run of zeros", _sends(lambda _: bytes(40)), _MISMATCH),
    _fault("a run of ones", _sends(lambda _: b"\xff" * 40), _MISMATCH),
    _fault("a console's prompt", _sends(lambda _: b"\r\nlogin: "), _MISMATCH),
    _fault("noise between requests", _good_then(lambda _: b"\x00\x5a", 0.03), "OK", settles=True),
    _fault("echo, then the answer", _sends(lambda s: s.raw + s.answer()), _MISMATCH),
    _fault("echo alone", _sends(lambda s: s.raw), _MISMATCH),
)

COUNT = 10
"""Registers of the reads that meet a fault."""
NO_LATENCY_S = 0.02
"""Declared where so many faults follow one another that none of them may be late."""


def families(transport: Transport) -> dict[str, list[Fault]]:
    """Faults that are many of one kind."""
    size = 2 * COUNT + (9 if transport is Transport.TCP else 5)
    checked = 9 if transport is Transport.TCP else size  # nothing in Modbus TCP guards the data but the network's own
    apart = 11
    return {
        "exception codes 1 to 11": [
            _fault(f"exception {code}", exception(code), f"EXCEPTION {code}") for code in range(1, 12)
        ],
        "cut off at every byte": [
            _fault(f"cut off after {k}", truncated(k), _SLOW, quick=True) for k in range(1, size)
        ],
        "cut off at every byte, then closed": [
            _fault(f"cut off after {k}, closed", truncated_and_gone(k), _RESET, tcp=_RESET if k else _ONCE_MORE)
            for k in range(size)
        ],
        f"every {apart}th bit flipped": [
            _fault(f"bit {k} flipped", flipped(k // 8, k % 8), _MISMATCH, tcp="MISMATCH|SHORT")
            for k in range(0, 8 * checked, apart)
        ],
    }


__all__ = ["COUNT", "FAULTS", "LATENCY_S", "NO_LATENCY_S", "QUICK_S", "Fault", "answers", "families", "late"]
