"""A report on what the ledger holds: numbers, figures, one page of HTML.

`material` reads records and `indications` readings; `coverage`, `excursions` and `summary` turn them into
what the report says, without I/O; `figures` draws it, `page` and `sheets` write it down, `build` puts it
together.
"""
