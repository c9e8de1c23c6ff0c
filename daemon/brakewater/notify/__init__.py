"""What the watch tells a message broker, and the commands it takes from there.

mqtt.py       the one to use: a thread that keeps a session alive and shows the newest picture
follower.py   events from the committed record, in order, none lost; a thread of its own
commands.py   commands in, answers out
topics.py     topic names, payload bytes, and which retained states differ from what the broker holds
screen.py     what a session shows; dial.py which version to try next, and when
session.py    one connection to the broker, never reused
"""

from brakewater.notify.mqtt import Figures, Mqtt

__all__ = ["Figures", "Mqtt"]
