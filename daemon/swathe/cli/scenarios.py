"""Simulated scenarios by name or file, for the commands that take one."""

from __future__ import annotations

import difflib
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING

from swathe.errors import SwatheError

if TYPE_CHECKING:
    from swathe_simulators import Scenario

__all__ = ["complete_scenario", "scenario_lines", "simulated_scenario"]


def complete_scenario(incomplete: str) -> list[str]:
    """Return the built-in scenarios whose names begin so, for the shell."""
    from swathe_simulators import builtin_scenarios

    return [name for name in builtin_scenarios() if name.startswith(incomplete)]


def scenario_lines() -> list[str]:
    """Return the built-in scenarios with what each is, a line each, and how to use one."""
    return [
        "scenarios:",
        *_scenario_list(),
        "swathe simulate SCENARIO serves one of them, or a scenario file of your own;",
        "swathe init --simulated SCENARIO writes a station file that scans it",
    ]


def _scenario_list() -> list[str]:
    from swathe_simulators import builtin_scenario, builtin_scenarios, load_scenario

    names = builtin_scenarios()
    width = max(map(len, names))
    return [
        f"  {name:{width}}  {load_scenario(builtin_scenario(name)).description}" for name in names
    ]


def simulated_scenario(name: str) -> tuple[Path, Scenario]:
    """Return the path of a scenario, and the scenario.

    Args:
        name: of a built-in one, or path of a file.

    Raises:
        SwatheError: there is none, with a list of those there are; or the file is not valid.
    """
    from swathe_drivers import toml_excerpt
    from swathe_simulators import ScenarioError, builtin_scenario, builtin_scenarios, load_scenario

    builtin = builtin_scenarios()
    path = builtin_scenario(name) if name in builtin else Path(name)
    if not path.exists():
        near = difflib.get_close_matches(name, builtin, n=1)
        meant = f" (is {near[0]!r} meant?)" if near else ""
        listed = "\n".join(_scenario_list())
        message = f"no scenario and no file is named {name!r}{meant}; scenarios:\n{listed}"
        raise SwatheError(message)
    try:
        return path, load_scenario(path)
    except ScenarioError as error:
        text = str(error)
        if isinstance(error.__cause__, tomllib.TOMLDecodeError):
            text += "\n" + toml_excerpt(path.read_text(encoding="utf-8"), error.__cause__)
        raise SwatheError(text) from error
