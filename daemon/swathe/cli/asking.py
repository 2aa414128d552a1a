"""Asking the user a question while the ports are read on."""

from __future__ import annotations

import asyncio
import os
import sys

from swathe.cli.app import console

__all__ = ["ask"]


async def ask(prompt: str) -> str:
    """Return a line from the user, stripped and in lower case; a closed input is told as ``q``.

    The event loop goes on meanwhile.
    """
    console.print(f"{prompt} ", end="", highlight=False, markup=False, soft_wrap=True)
    loop = asyncio.get_running_loop()
    answer: asyncio.Future[str] = loop.create_future()
    descriptor = sys.stdin.fileno()

    def read() -> None:
        # A terminal hands over whole lines; of a pipe no more is taken than one line.
        data = bytearray()
        while not data.endswith(b"\n"):
            byte = os.read(descriptor, 1)
            if not byte:
                break
            data += byte
        if not answer.done():
            text = data.decode(errors="replace").strip().lower()
            answer.set_result(text if data else "q")

    try:
        loop.add_reader(descriptor, read)
    except (PermissionError, OSError):
        read()  # a plain file, which the loop cannot wait for, has its lines at once
        return await answer
    try:
        return await answer
    finally:
        loop.remove_reader(descriptor)
