"""From codes and SI to what people and payloads see: the crew's units, one plain sentence, lamps and horn.

Pure functions; the engine and the record never call them. Every payload keeps the SI value beside the shown one, and a
value never stands without its quality: a bad one is null in JSON and ``--`` on a terminal.
"""

from brakewater.render.alarms import alarm_name, alarm_now, came_first, event_shown
from brakewater.render.beside import by_hand_now, obstacle_now, round_now, setting_now
from brakewater.render.picture import horn_now, lamps, now, ready_lamp, watching
from brakewater.render.values import (
    CONVERTED,
    DECIMALS,
    Document,
    Limit,
    derived_line,
    derived_now,
    dimension_of_derived,
    dimension_of_point,
    expanded,
    is_contact,
    limit_shown,
    limit_with_unit,
    plain_name,
    reading_line,
    rounded,
    spoken,
    std_name,
    value_line,
    with_unit,
)

__all__ = [
    "CONVERTED",
    "DECIMALS",
    "Document",
    "Limit",
    "alarm_name",
    "alarm_now",
    "by_hand_now",
    "came_first",
    "derived_line",
    "derived_now",
    "dimension_of_derived",
    "dimension_of_point",
    "event_shown",
    "expanded",
    "horn_now",
    "is_contact",
    "lamps",
    "limit_shown",
    "limit_with_unit",
    "now",
    "obstacle_now",
    "plain_name",
    "reading_line",
    "ready_lamp",
    "round_now",
    "rounded",
    "setting_now",
    "spoken",
    "std_name",
    "value_line",
    "watching",
    "with_unit",
]
