"""The ``swathe`` command: each subcommand from its own module, errors printed in one place."""

from __future__ import annotations

import sys

# Each module registers its subcommand as it is imported.
from swathe.cli import (  # noqa: F401
    calibrate,
    calibrate_encoder,
    calibrate_thickness,
    check,
    demo,
    gaps,
    listen,
    plan,
    ports,
    rebuild,
    report,
    revise,
    run,
    setup,
    simulate,
    surveys,
    verify,
    watch,
)
from swathe.cli.app import Exit, app, errors
from swathe.errors import MisuseError, SwatheError

__all__ = ["main"]


def main() -> None:
    """Run the command; errors with a remedy for the user are printed without a traceback."""
    try:
        app()
    except MisuseError:
        raise
    except Exception as error:
        if not _for_the_user(error):
            raise
        errors.print(f"swathe: {error}", style="red", highlight=False, markup=False, soft_wrap=True)
        sys.exit(Exit.ERROR)


def _for_the_user(error: Exception) -> bool:
    """Return whether a user can remedy an error; the drivers are imported only to judge one."""
    from swathe_drivers import DriverError

    return isinstance(error, SwatheError | DriverError)
