"""Everything that goes wrong on a bench, as wrappers that can be stacked.

`gauge`, `crank` and `drive` hold faults of traces; `random_faults` makes benches with one of them at a random
place and size, `ugly` makes good benches that only look bad, `jobs` makes faults that show only between the
traces of one job.
"""
