"""The broker's table: what follows from other keys, and what is told of wrong files."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.certificates import Authority
from swathe.errors import StationError
from swathe.station import BrokerSettings, read_station, tls_context

STATION = """
name = "bench"
[survey]
folder = "survey"
[scan]
length = "10 mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 10
[calibration]
velocity = "5920 m/s"
[device.encoder]
port = "ports/encoder"
protocol.columns = [{ is = "counts", axis = "scan" }]
[device.gauge]
port = "ports/gauge"
protocol.columns = [{ is = "time_of_flight", unit = "us" }]
[broker]
"""


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    """Return an authority with a certificate 'own' in the station file's folder."""
    made = Authority(tmp_path)
    made.sign("own")
    made.sign("other")
    made.sign("locked", phrase="hushhush")
    (tmp_path / "text.pem").write_text("no certificate\n")
    return made


def problems(folder: Path, table: str) -> list[str]:
    """Return what is told of a station file with this table."""
    path = folder / "station.toml"
    path.write_text(STATION + table)
    with pytest.raises(StationError) as error:
        read_station(path)
    return [str(problem) for problem in error.value.problems]


def test_radio_lengthens_what_is_not_told() -> None:
    """A slow link has long intervals, but for those that the file gives."""
    usual, radio = BrokerSettings(), BrokerSettings(radio=True, line_interval="1 s")
    assert radio.line_interval == 1_000_000_000
    assert radio.progress_interval > 4 * usual.progress_interval
    assert radio.port_interval > 4 * usual.port_interval
    assert radio.gap_interval > 4 * usual.gap_interval


def test_tls_has_a_port_of_its_own() -> None:
    """8883 with TLS, unless another is told."""
    assert BrokerSettings().port == 1883
    assert BrokerSettings(tls=True).port == 8883
    assert BrokerSettings(tls=True, port=1883).port == 1883


def test_files_are_found_beside_the_station_file(tmp_path: Path, authority: Authority) -> None:
    """A relative path is taken from the station file's folder, and the files are good."""
    path = tmp_path / "station.toml"
    path.write_text(
        STATION + 'tls = true\nca_file = "authority.pem"\n'
        'certificate_file = "own.pem"\nkey_file = "own.key"\n'
    )
    station, _ = read_station(path)
    assert station.broker is not None
    assert station.broker.ca_file == str(authority.certificate)
    assert tls_context(station.broker) is not None


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ('ca_file = "authority.pem"', "'broker.tls' must be true"),
        ('tls = true\nca_file = "gone.pem"', "'broker.ca_file' must name a readable file"),
        ('tls = true\nca_file = "text.pem"', "'broker.ca_file' must name certificates in PEM form"),
        ('tls = true\ncertificate_file = "own.pem"', "'broker.key_file' is required"),
        ('tls = true\nkey_file = "own.key"', "'broker.certificate_file' is required"),
        (
            'tls = true\ncertificate_file = "own.pem"\nkey_file = "other.key"',
            "'broker.key_file' must be the certificate's key",
        ),
        (
            'tls = true\ncertificate_file = "locked.pem"\nkey_file = "locked.key"',
            "'broker.key_password_variable' must name the variable with the key's pass phrase",
        ),
        (
            'tls = true\ncertificate_file = "text.pem"\nkey_file = "own.key"',
            "'broker.certificate_file' must name a certificate in PEM form",
        ),
        ("tls = true\nembedded = true", "'broker.tls' must be false with embedded"),
        ('password_variable = "X"', "'broker.username' is required"),
        ('progress_interval = "1 ms"', "'broker.progress_interval' must be"),
    ],
)
@pytest.mark.usefixtures("authority")
def test_wrong_table_names_key_and_mend(tmp_path: Path, table: str, told: str) -> None:
    """Each mistake is told once, with its key."""
    (found,) = problems(tmp_path, table)
    assert found.startswith(told)
