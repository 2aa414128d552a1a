"""Scores what is proposed for the formats: `python -m drivers.suggest.scoring [NAME ...]` from tests/."""

from __future__ import annotations

import sys
import time

import numpy as np

from drivers.suggest.binary_formats import BINARY_FORMATS
from drivers.suggest.scans import Format, disagreements
from drivers.suggest.text_formats import TEXT_FORMATS
from swathe_drivers.description import parse_description
from swathe_drivers.suggest import Hints, Suggestion, parse_shown, suggest


def proposed(device: Format) -> Suggestion:
    """What is proposed with the hints that a person has."""
    return suggest(device.chunks(), hints=Hints(shows=tuple(map(parse_shown, device.shows))))


def mistakes(device: Format, found: Suggestion) -> list[str]:
    """What is wrong with a suggestion, as it is, without an edit."""
    if not found.text:
        return ["no description: " + "; ".join(str(finding) for finding in found.findings)]
    decoder = parse_description(found.text, device.name).decoder(ns_per_byte=0)
    batch = decoder.feed_chunks(device.chunks())
    thickness = position = period = None
    is_length = False
    if decoder.gives_readings and "thickness" in decoder.gives:
        thickness = np.where(batch.readings["valid"], batch.readings["thickness"], np.nan)
    if decoder.gives_positions:
        position = batch.positions["counts"][:, 0].copy()
        axis = decoder.axes[0]
        period = decoder.count_periods.get(axis)
        is_length = axis in decoder.length_axes
    return disagreements(device, thickness, position, period, is_length=is_length)


def main() -> None:
    """Print the score."""
    right = 0
    total = 0
    for make in (*TEXT_FORMATS, *BINARY_FORMATS):
        device = make()
        if len(sys.argv) > 1 and device.name not in sys.argv[1:]:
            continue
        total += 1
        started = time.perf_counter()
        found = proposed(device)
        took = time.perf_counter() - started
        wrong = mistakes(device, found)
        right += not wrong
        print(f"{device.name:14} {took:5.2f} s  {'right' if not wrong else '; '.join(wrong)}")
        if len(sys.argv) > 1:
            print(found.text)
            print(*found.findings, sep="\n")
            print(*found.questions, sep="\n")
    print(f"{right} of {total} complete and right without an edit")


if __name__ == "__main__":
    main()
