"""Endpoints: what can be, what is equal, and the timing of a serial line."""

from typing import Any

import pytest

from brakewater.field.endpoint import (
    RtuOverTcpEndpoint,
    SerialEndpoint,
    TcpEndpoint,
    TlsEndpoint,
    character_s,
    pause_s,
)

PORT = "/dev/ttyUSB0"


def test_equal_endpoints_share_a_line() -> None:
    endpoints = [
        TcpEndpoint(host="plc1"),
        TcpEndpoint(host="plc1", port=502),
        RtuOverTcpEndpoint(host="plc1", port=502),
        TlsEndpoint(host="plc1", authority="ca.pem"),
        SerialEndpoint(port=PORT),
        SerialEndpoint(port=PORT, parity="even", baud=19200),
    ]
    assert len(set(endpoints)) == 4
    assert SerialEndpoint(port=PORT).line == SerialEndpoint(port=PORT, baud=9600).line


@pytest.mark.parametrize(
    ("build", "found", "says"),
    [
        (TcpEndpoint, {"host": ""}, "host is empty"),
        (TcpEndpoint, {"host": "a", "port": 0}, "port is 0; allowed are 1 to 65535"),
        (TlsEndpoint, {"host": "a", "authority": "ca", "key": "k"}, "a key without a certificate"),
        (SerialEndpoint, {"port": "socket://a:1"}, "a serial port is a device file"),
        (SerialEndpoint, {"port": PORT, "parity": "N"}, "parity is 'N'; allowed are none, even, odd"),
        (SerialEndpoint, {"port": PORT, "stop_bits": 3}, "stop_bits is 3; allowed are 1 and 2"),
        (SerialEndpoint, {"port": PORT, "baud": 75}, "baud is 75; allowed are 300 to 4000000"),
        (SerialEndpoint, {"port": PORT, "latency_s": -1.0}, r"latency_s is -1.0; allowed are 0 to 60 s"),
        (RtuOverTcpEndpoint, {"host": "a", "port": 1, "gap_s": float("nan")}, "gap_s is nan"),
    ],
)
def test_what_cannot_be_is_not_built(build: Any, found: dict[str, Any], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        build(**found)


@pytest.mark.parametrize(
    ("baud", "gap_ms"),
    # MODBUS over Serial Line V1.02, 2.5.1.1: 3.5 characters of 11 bits, above 19200 baud a fixed 1.750 ms (quoted in
    # public sources; the figures are our own arithmetic).
    [(1200, 32.0833), (9600, 4.0104), (19200, 2.0052), (38400, 1.75), (115200, 1.75)],
)
def test_frames_lie_three_and_a_half_characters_apart(baud: int, gap_ms: float) -> None:
    endpoint = SerialEndpoint(port=PORT, baud=baud, gap_s=0.0)
    assert pause_s(endpoint) * 1e3 == pytest.approx(gap_ms, abs=1e-4)


def test_the_larger_gap_counts() -> None:
    assert pause_s(SerialEndpoint(port=PORT, baud=1200)) == pytest.approx(0.0320833, abs=1e-6)
    assert pause_s(SerialEndpoint(port=PORT, baud=19200)) == 0.005
    assert pause_s(SerialEndpoint(port=PORT, baud=19200, gap_s=0.02)) == 0.02


def test_a_character_has_ten_to_twelve_bits() -> None:
    assert character_s(SerialEndpoint(port=PORT, baud=9600, parity="none")) == 10 / 9600
    assert character_s(SerialEndpoint(port=PORT, baud=9600)) == 11 / 9600
    assert character_s(SerialEndpoint(port=PORT, baud=9600, stop_bits=2)) == 12 / 9600
    assert character_s(RtuOverTcpEndpoint(host="a", port=1, baud=9600)) == 11 / 9600
