"""The record: whole, unaltered, readable with ordinary tools, and never in the way of the watch.

- journal.py takes inputs and events in order; backlog.py is its bounded queue, committer.py its thread, writer.py its
  disk, lock.py keeps a second daemon out
- reader.py gives committed inputs and events back; cursors.py marks who has read how far
- verify.py proves them unaltered
- segment.py says what a hot segment is on disk, rows.py and documents.py what its rows hold, chain.py how it is hashed
"""
