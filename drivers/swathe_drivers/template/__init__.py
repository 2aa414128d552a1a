"""A package with one driver, to begin with: the files that `swathe driver new NAME` writes."""

import keyword
import re
from collections.abc import Mapping
from importlib.resources import files
from typing import Final

from swathe_drivers.errors import DriverError

__all__ = ["driver_package"]

_NAME: Final = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*")

_PROJECT: Final = """\
[build-system]
requires = ["hatchling"]
build-backend = "hatchling.build"

[project]
name = "{distribution}"
version = "0.1.0"
description = "Driver {name} for Swathe"
requires-python = ">=3.11"
dependencies = ["swathe"]

[project.optional-dependencies]
test = ["pytest"]

[project.entry-points."swathe.drivers"]
{name} = "{name}:{camel}Driver"

[tool.pytest.ini_options]
testpaths = ["tests"]
pythonpath = ["src"]

[tool.hatch.build.targets.wheel]
packages = ["src/{name}"]
"""

_README: Final = """\
# {distribution}

Driver `{name}` for Swathe. It decodes lines of an invented gauge and passes the contract of
`swathe_drivers.testing`: put your device in its place, one step at a time, and run the tests after each.

1. `pip install -e .[test]` in this folder, in the environment that has Swathe.
2. `pytest`
3. In `tests/test_{name}.py`: records of your device, and what each of them holds.
4. In `src/{name}/__init__.py`: settings, fields and abilities, until the tests pass. `inputs.py` is the same
   device with two inputs, for two probes: take it over, or delete it and its test.
5. `swathe listen PORT --protocol device.toml`, with a description:

   ```toml
   driver = "{name}"
   [protocol]
   ```
"""


def driver_package(name: str) -> Mapping[str, str]:
    """Return the files of a package with the driver `name`: texts by their paths in its folder.

    Args:
        name: of the driver, its entry point and its Python package; `my_device`, say.

    Raises:
        DriverError: it can be none.
    """
    if not _NAME.fullmatch(name) or keyword.iskeyword(name) or name.startswith("swathe"):
        message = (
            f"the name of a driver must be lower-case letters, digits and single underscores, begin"
            f" with a letter, and be neither a word of Python nor begin with 'swathe' (got {name!r});"
            " 'my_device', say"
        )
        raise DriverError(message)
    camel = "".join(part.capitalize() for part in name.split("_"))
    values = {"name": name, "camel": camel, "distribution": name.replace("_", "-")}

    def own(module: str) -> str:
        text = files(__name__).joinpath(module).read_text("utf-8")
        text = text.replace(f"{__name__}.driver", name)
        text = text.replace(f"{__name__}.inputs", f"{name}.inputs")
        text = re.sub(r"\bExample(?=[A-Z])", camel, text)
        text = text.replace("TestExample", f"Test{camel}")
        return (
            text.replace(f"= {camel}Driver\n", f'= "{name}"\n') if module == "contract.py" else text
        )

    contract = own("contract.py").replace(f"from {name} import {camel}Driver\n", "")
    return {
        "pyproject.toml": _PROJECT.format(**values),
        "README.md": _README.format(**values),
        f"src/{name}/__init__.py": own("driver.py"),
        f"src/{name}/inputs.py": own("inputs.py"),
        f"src/{name}/py.typed": "",
        f"tests/test_{name}.py": contract,
        f"tests/test_{name}_inputs.py": own("contract_inputs.py"),
    }
