"""Core: words and numbers that all rooms share.

Its modules are its face: import from them by name. `errors` (one exception), `flags` (the registry), `reasons` (why
something is not used), `times` and `log_times`, `optics` (the rig and its formulas), `text` (numbers as text),
`statistics`, `palette`, `picture` and `svg` (a picture described, its colours, and drawn), `logged` (one run as the
logbook keeps it), `workers` (tasks on many processes).
"""
