"""Fresh pictures with exact truth: worlds drawn at random, path-traced by Mitsuba 3, photographed.

`python -m tests.bench.render --out DIR` writes what `python -m tests.bench vision --scenes DIR`
and `python -m tests.bench.train` read.
"""
