"""The contract over this package's driver, found by its entry point."""

from swathe_drivers.testing import DriverContract


class TestTally(DriverContract):
    """Tally marks."""

    driver = "invented_tally"
    settings = {"axis": "scan"}  # noqa: RUF012
    records = (b"|||.", b"-|.", b"--------.", b"||||||||||||.")
    values = (
        {"counts": (3,)},
        {"counts": (3,)},
        {"counts": (-5,)},
        {"counts": (7,)},
    )
    counter = True
    checksum = False
    garbage = b"\xff\x00AB"
    damaged = (b".", b"x.")
