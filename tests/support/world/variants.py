"""Variants of a scene: what else devices, lines and hosts do."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from support.world.devices import Device, Time
from support.world.worlds import Scene

__all__ = ["VARIANTS"]

Variant = Callable[[Scene], Scene]


def _gauge(change: Callable[[Device], Device]) -> Variant:
    return lambda scene: replace(scene, gauge=change(scene.gauge))


def _both(change: Callable[[Device], Device]) -> Variant:
    return lambda scene: replace(scene, gauge=change(scene.gauge), encoder=change(scene.encoder))


def _packets(seconds: float) -> Variant:
    return _both(
        lambda one: replace(one, delivery=replace(one.delivery, poll=seconds, packets=True))
    )


def _stalls(*stalls: tuple[float, float]) -> Variant:
    return _both(lambda one: replace(one, delivery=replace(one.delivery, stalls=stalls)))


def _slow_line(scene: Scene) -> Scene:
    """Both devices on lines of 9600 baud, half full, and speeds that fit 40 readings a second."""
    gauge = replace(scene.gauge, period=0.025, delivery=replace(scene.gauge.delivery, baud=9600))
    encoder = replace(
        scene.encoder, period=0.05, delivery=replace(scene.encoder.delivery, baud=9600)
    )
    return replace(scene, gauge=gauge, encoder=encoder, speed=(15.0, 35.0))


def _encoder(time: Time) -> Variant:
    return lambda scene: replace(scene, encoder=replace(scene.encoder, time=time))


VARIANTS: dict[str, Variant] = {
    "plain": lambda scene: scene,
    "unknown": _both(lambda one: replace(one, known=False)),
    "gamma": _both(lambda one: replace(one, delivery=replace(one.delivery, shape="gamma"))),
    "packets 1 ms": _packets(0.001),
    "packets 16 ms": _packets(0.016),
    "9600 baud": _slow_line,
    "stalls": _stalls((5.0, 0.2), (8.0, 1.0), (12.0, 5.0)),
    "gauge stalls": _gauge(
        lambda one: replace(
            one, delivery=replace(one.delivery, stalls=((5.0, 0.2), (8.0, 0.6), (12.0, 2.0)))
        )
    ),
    "lost": _gauge(lambda one: replace(one, lost=0.01)),
    "doubled": _gauge(lambda one: replace(one, doubled=0.01)),
    "corrupt": _both(lambda one: replace(one, corrupt=0.01)),
    "restarts": _gauge(lambda one: replace(one, restarts=((5.0, 0.05), (9.0, 0.4), (13.0, 2.0)))),
    "rates": _gauge(lambda one: replace(one, rates=((6.0, 0.006), (11.0, 0.003), (14.0, 0.004)))),
    "roll-over": _gauge(lambda one: replace(one, bits=8)),
    "text": _gauge(lambda one: replace(one, form="text")),
    "encoder by number": _encoder("number"),
    "encoder steady": _encoder("steady"),
    "encoder irregular": _encoder("irregular"),
    "slow": lambda scene: replace(scene, speed=(20.0, 60.0)),
    "fast": lambda scene: replace(scene, speed=(250.0, 400.0)),
    "skew": _both(lambda one: replace(one, ppm=400.0)),
}
"""Changes of a scene by name; each keeps the layout and the kind of time of the gauge."""
