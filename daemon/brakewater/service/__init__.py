"""The composition root: wires the parts for one rig, starts, changes and stops them. The only place that knows all.

watch.py       the watch from start to stop, and a changed rig file in between
generation.py  everything that belongs to one rig file: lines, outputs, followers
recording.py   the journal and the followers' cursors, or what stands in for them
door.py        where commands from other threads and from ``control.sock`` come in
status.py      how the watch does, as one document
"""

from brakewater.service.watch import watch

__all__ = ["watch"]
