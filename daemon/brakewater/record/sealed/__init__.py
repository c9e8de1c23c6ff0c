"""A sealed segment: a folder that any tool reads, and that gives back every byte the journal held.

    segments/<yyyy>/<mm>/<dd>/<run>/
      manifest.json    what it is: run, rig, span, counts, place in the chain, columns, size and SHA-256 of each file
      rig.toml         the rig file in force
      start.json       the Start as it was hashed: rig file, version, boot, snapshot of the engine
      scans.parquet    a row a scan: input, utc, steady_offset, then raw number and status of each point, an age a group
      commands.jsonl   commands and gaps, a line each
      events.jsonl     events as people know them, each with the hash of its commit
      chain.parquet    where each commit ends; hashes now and then, for the rest follow from the rows

- layout.py names folders, manifest.py what stands in the manifest
- columns.py turns words of a scan into numbers and back, steps.py times; table.py makes Parquet columns of them
- lines.py is the text beside them
- write.py writes one, segment.py reads one (the only two that load pyarrow, and only when called); apart.py reads
  one in a process of its own
"""
