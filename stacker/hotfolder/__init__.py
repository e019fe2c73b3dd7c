"""The hot folder: frames as they come in, brackets out, unattended.

Reading order: `observed`, `grouping` and `tracker` (pure: what is in the folder means
which brackets), `scan` (looks), `journal` (remembers), `job` and `workers` (fuse), `index`
(the page of all brackets), `loop` (all of it, over and over).
"""
