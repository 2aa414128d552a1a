"""Descriptions of invented instruments, to begin a description of one's own with."""

from importlib.resources import files

from swathe_drivers.description import Description, parse_description

__all__ = ["example", "example_names"]


def example_names() -> tuple[str, ...]:
    """Names of the descriptions that come with the package, sorted."""
    found = (entry.name for entry in files(__name__).iterdir())
    return tuple(sorted(name.removesuffix(".toml") for name in found if name.endswith(".toml")))


def example(name: str) -> Description:
    """The description of that name, whose `text` is the file to copy.

    Raises:
        FileNotFoundError: there is none; take one of `example_names`.
    """
    file = files(__name__) / f"{name}.toml"
    return parse_description(file.read_text("utf-8"), file.name)
