"""The report of a fusion: a record for programs and a page for people.

Reading order: `record`, `wording`, `places`, `bystander` (notes taken while the frames
are read), `colours`, `images`, `charts`, `page`. These answer strings and values; `extras`
with `tiles` and `cloud` write the files that are made only on request.
"""
