"""Spurious readings: cells whose thickness is doubtful, why, and what confirms it.

The rules are few, and each has a module: `lone`, `doubled`, `halved`, `cycle_skip` and `limits`. They
are functions of a cell's value and of the cells around it (`neighbourhood`), so that they depend on
the grid's state alone. Nothing is deleted: a doubtful value stays in its cell and raises the alarms
that it would raise; it is the minimum thickness only once it is confirmed.
"""
