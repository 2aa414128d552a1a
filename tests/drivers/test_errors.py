"""Errors carry what a program needs beside their text."""

from swathe_drivers.errors import DriverError, DriverUsageError, PortError, SettingsError


def test_errors_have_one_root() -> None:
    """One except clause catches all of them."""
    for kind in (PortError, SettingsError, DriverUsageError):
        assert issubclass(kind, DriverError)


def test_port_error_carries_port_and_reason() -> None:
    """Text, attributes and arguments agree."""
    error = PortError("COM3", "is gone")
    assert str(error) == "port COM3: is gone"
    assert error.args == (error.port, error.reason) == ("COM3", "is gone")


def test_settings_error_lists_all_problems() -> None:
    """One line per problem, the first one's parts as attributes."""
    other = SettingsError("b", "must be given", None)
    error = SettingsError("a", "must be > 0", -1, others=[other])
    assert str(error) == "'a' must be > 0 (got -1)\n'b' must be given"
    assert error.args == (error.key, error.requirement, error.value) == ("a", "must be > 0", -1)
    assert error.others == (other,)
