"""Closed segments out of the journal into folders, in a process of its own (``python -m brakewater.record.sealing``).

- seal.py takes one closed hot segment into its folder and deletes its file; due.py picks those that are due
- compare.py holds the new folder against the journal, row by row and hash by hash
- derived.py runs the engine over it once, for full-rate values and summaries; summary.py adds up
- trim.py deletes whole segments by age and by size, never under a legal hold (record/holds.py)
"""
