"""The module answers as the Modbus application protocol says, and its image follows."""

from collections.abc import Sequence

from fastcrc import crc16

from sidetap.rehearse.module_server import COILS, ModuleServer


class Image:
    def __init__(self) -> None:
        self.coils = [False] * COILS
        self.bits = [i in (0, 3) for i in range(16)]
        self.heard_ns: list[int] = []

    def inputs(self) -> list[bool]:
        return self.bits

    def write_coils(self, first: int, values: Sequence[bool], now_ns: int) -> None:
        self.coils[first : first + len(values)] = values

    def heard(self, now_ns: int) -> None:
        self.heard_ns.append(now_ns)


def frame(text: str) -> bytes:
    body = bytes.fromhex(text)
    return body + crc16.modbus(body).to_bytes(2, "little")


def test_writes_and_reads_bits() -> None:
    # MODBUS Application Protocol V1.1b3, 6.1, 6.2, 6.5 and 6.11: layouts of FC 1, 2, 5 and 15
    image = Image()
    server = ModuleServer(image)
    assert server.receive(frame("01 0F 0000 0010 02 05 80"), 7) == frame("01 0F 0000 0010")
    assert [i for i, coil in enumerate(image.coils) if coil] == [0, 2, 15]
    assert server.receive(frame("01 01 0000 0010"), 8) == frame("01 01 02 05 80")
    assert server.receive(frame("01 02 0000 0010"), 9) == frame("01 02 02 09 00")
    assert server.receive(frame("01 05 0002 0000"), 10) == frame("01 05 0002 0000")
    assert not image.coils[2]
    assert image.heard_ns == [7, 8, 9, 10]


def test_a_request_in_two_pieces_is_one_request() -> None:
    image = Image()
    server = ModuleServer(image)
    request = frame("01 02 0000 0010")
    assert server.receive(request[:3], 1) == b""
    assert server.receive(request[3:], 2) == frame("01 02 02 09 00")


def test_what_it_has_not_is_an_exception() -> None:
    server = ModuleServer(Image())
    assert server.receive(frame("01 02 000F 0002"), 1) == frame("01 82 02")  # application protocol, 7: code 2


def test_another_address_and_a_wrong_check_get_no_answer() -> None:
    image = Image()
    server = ModuleServer(image)
    assert server.receive(frame("02 02 0000 0010"), 1) == b""
    assert server.receive(b"\x01\x02\x00\x00\x00\x10\x00\x00", 2) == b""
    assert image.heard_ns == []
