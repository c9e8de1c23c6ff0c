"""The pages: a process of its own beside the watch.

It reads the record, follows the live picture and asks through ``control.sock``; it can be killed without a lamp
noticing.
"""
