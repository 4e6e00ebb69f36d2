"""What tomorrow's cases will use, as plain arithmetic: arrays in, frozen dataclasses out.

Nothing here knows of a database, a clock or a web page. `usage` learns what each kind of case uses from
what was logged; `demand` sums it over a case list; the other modules turn the sums into quantities.
"""
