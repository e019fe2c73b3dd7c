"""The report of a fusion: a record for programs and a page for people.

Strings go out, nothing is written here. Reading order: `record`, `wording`, `colours`,
`images`, `page`.
"""
