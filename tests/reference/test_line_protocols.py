"""Modbus frames and NMEA 0183 sentences against published examples.

Sources: the request 01 03 00 00 00 0A with the CRC bytes C5 CD is computed apart from this code
(and agrees with the catalogue's check value of CRC-16/MODBUS, see test_crc.py). The registers of
the answer 03 06 02 2B 00 00 00 64 are the example of function 3 in the MODBUS Application Protocol
Specification V1.1b3, 6.3 (from memory: 108 to 110 hold 555, 0 and 100). The sentence is one that
NMEA 0183 texts show, with the checksum 28.
"""

from __future__ import annotations

from typing import Any

from pymodbus.framer import FramerRTU

from swathe_drivers.delimited import DelimitedDriver, DelimitedSettings
from swathe_drivers.modbus import ModbusDriver, ModbusSettings
from swathe_drivers.records import FaultReason
from swathe_drivers.rtu import crc_of, with_crc

READ: dict[str, Any] = {
    "reads": [
        {
            "fields": [
                {"is": "counts", "register": 107, "type": "uint16", "axis": "first"},
                {"is": "counts", "register": 108, "type": "uint16", "axis": "second"},
                {"is": "counts", "register": 109, "type": "uint16", "axis": "third"},
            ]
        }
    ]
}
SENTENCE = b"$GPGLL,5300.97914,N,00259.98174,E,125926,A*28\r\n"


def test_modbus_crc_is_that_of_catalogue_request_and_pymodbus() -> None:
    """4B37 for 123456789; C5 CD, the low byte first, behind the request."""
    assert crc_of(b"123456789") == 0x4B37
    request = bytes.fromhex("01 03 00 00 00 0A")
    assert with_crc(request) == request + bytes.fromhex("C5 CD")
    for length in range(256):
        message = bytes(range(length))
        assert with_crc(message)[length:] == FramerRTU.compute_CRC(message).to_bytes(2, "big")


def test_modbus_request_and_answer_are_those_of_the_specification() -> None:
    """Function 3 for registers 108 to 110, which are 107 to 109 on the line."""
    driver = ModbusDriver(ModbusSettings.model_validate(READ))
    (request,) = driver.requests()
    assert request.make(0)[1:-2] == bytes.fromhex("03 00 6B 00 03")
    message = bytes.fromhex("01 03 06 02 2B 00 00 00 64")
    batch = driver.decoder(ns_per_byte=0).feed(with_crc(message), 0)
    assert batch.positions["counts"].tolist() == [[555, 0, 100]]


def test_modbus_exception_is_that_of_the_specification() -> None:
    """The function with its highest bit set, and code 2: illegal data address."""
    driver = ModbusDriver(ModbusSettings.model_validate(READ))
    message = bytes.fromhex("01 83 02")
    batch = driver.decoder(ns_per_byte=0).feed(with_crc(message), 0)
    assert batch.n_faults == {FaultReason.ILLEGAL_ADDRESS: 1}


def test_nmea_sentence_has_the_published_checksum() -> None:
    """Exclusive or of what is between $ and *; another one is refused."""
    columns = [
        {"is": "constant", "text": "$GPGLL"},
        {"is": "position", "axis": "scan", "unit": "mm"},  # a latitude is none, but a number
        *[{"is": "ignore"}] * 5,
    ]
    settings = DelimitedSettings.model_validate(
        {"columns": columns, "checksum": {"kind": "xor", "after": "*", "from": 1}}
    )
    decoder = DelimitedDriver(settings).decoder(ns_per_byte=0)
    assert decoder.feed(SENTENCE, 0).positions["counts"].tolist() == [[5300.97914]]
    spoilt = decoder.feed(SENTENCE.replace(b"125926", b"125936"), 0)
    assert spoilt.n_faults == {FaultReason.CHECKSUM: 1}
    assert "carries 28 but its bytes give 29" in spoilt.faults[0].detail
