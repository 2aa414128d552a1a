"""The ``swathe`` command: each subcommand from its own module, errors printed in one place."""

from __future__ import annotations

import logging
import sys

# Each module registers its subcommand as it is imported.
from swathe.cli import (  # noqa: F401
    calibrate,
    calibrate_encoder,
    calibrate_thickness,
    check,
    compare,
    copy,
    demo,
    driver,
    evaluate,
    export,
    gaps,
    init,
    listen,
    manifest,
    plan,
    ports,
    rebuild,
    report,
    revise,
    run,
    service,
    setup,
    simulate,
    surveys,
    trend,
    verify,
    view,
    watch,
)
from swathe.cli.app import Exit, app, errors
from swathe.errors import MisuseError, SwatheError, first_error

__all__ = ["main"]


def main() -> None:
    """Run the command; errors with a remedy for the user are printed without a traceback."""
    try:
        app()
    except MisuseError:
        raise
    except Exception as error:
        text = _for_the_user(error)
        if not text:
            raise
        logging.getLogger(__name__).info("where it arose", exc_info=error)
        errors.print(f"swathe: {text}", style="red", highlight=False, markup=False, soft_wrap=True)
        sys.exit(Exit.ERROR)


def _for_the_user(error: BaseException) -> str:
    """Return the text of an error that a user can remedy, empty for any other.

    The drivers are imported only to judge one.
    """
    from swathe_drivers import DriverError

    if isinstance(error, BaseExceptionGroup):
        error = first_error(error)
    if isinstance(error, MisuseError):
        return ""
    if isinstance(error, SwatheError | DriverError):
        return str(error)
    if isinstance(error, OSError):
        # What the system refuses is no bug: a permission, a full disk, a folder that is gone.
        return _system_text(error)
    return ""


def _system_text(error: OSError) -> str:
    """Return what the operating system refused, with the path where it names one."""
    what = error.strerror or str(error) or type(error).__name__
    where = "" if error.filename is None else f"{error.filename}: "
    remedy = ""
    if isinstance(error, PermissionError):
        remedy = "; this user may not do that: change the owner or mode, or name another place"
    return f"{where}{what}{remedy}"
