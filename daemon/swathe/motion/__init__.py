"""Motion as plain computing: rasters, paths round zones, revisits, limits; nothing moves here.

Positions are (scan, index) in mm as the machine counts them; on a circumference not modulo it, so
that a cable's twist is a limit of travel. No clock, no input or output; the same questions get the
same answers.
"""

from swathe.motion.carriage.layout import Carriage
from swathe.motion.carriage.numbers import numbers_text
from swathe.motion.errors import MotionError, Point
from swathe.motion.first_moves import first_move_seconds, first_speed, first_speed_of
from swathe.motion.from_station import (
    carriage_of,
    pass_settings_of,
    raster_settings_of,
    retry_settings_of,
    work_area_of,
)
from swathe.motion.limits.check import AxisLimits, MotionLimits, check_move, check_moves
from swathe.motion.limits.metric import Metric
from swathe.motion.limits.moves import Move, MoveKind, total_distance, total_time
from swathe.motion.limits.twist import Twist
from swathe.motion.limits.work_area import WorkArea
from swathe.motion.limits.zones import KeepOutZone, Zones
from swathe.motion.raster.plan import Pattern, Plan, RasterSettings, plan_raster, scan_speed
from swathe.motion.raster.unreached import Unreached
from swathe.motion.revisit.by_hand import next_by_hand
from swathe.motion.revisit.hand_step import HandStep, HandSurvey
from swathe.motion.revisit.hand_text import HandText, fitted, hand_text
from swathe.motion.revisit.passes import Tour, plan_tour
from swathe.motion.revisit.retry import (
    RemainingGap,
    RetryLog,
    RetrySettings,
    RevisitStep,
    Stop,
    next_passes,
)
from swathe.motion.revisit.visits import GapPass, PassSettings
from swathe.motion.states import MOVING_STATES, Action, CrawlStates, Event, State
from swathe.motion.tour.order import order_visits, tour_seconds
from swathe.motion.tour.visits import Visits

__all__ = [
    "MOVING_STATES",
    "Action",
    "AxisLimits",
    "Carriage",
    "CrawlStates",
    "Event",
    "GapPass",
    "HandStep",
    "HandSurvey",
    "HandText",
    "KeepOutZone",
    "Metric",
    "MotionError",
    "MotionLimits",
    "Move",
    "MoveKind",
    "PassSettings",
    "Pattern",
    "Plan",
    "Point",
    "RasterSettings",
    "RemainingGap",
    "RetryLog",
    "RetrySettings",
    "RevisitStep",
    "State",
    "Stop",
    "Tour",
    "Twist",
    "Unreached",
    "Visits",
    "WorkArea",
    "Zones",
    "carriage_of",
    "check_move",
    "check_moves",
    "first_move_seconds",
    "first_speed",
    "first_speed_of",
    "fitted",
    "hand_text",
    "next_by_hand",
    "next_passes",
    "numbers_text",
    "order_visits",
    "pass_settings_of",
    "plan_raster",
    "plan_tour",
    "raster_settings_of",
    "retry_settings_of",
    "scan_speed",
    "total_distance",
    "total_time",
    "tour_seconds",
    "work_area_of",
]
