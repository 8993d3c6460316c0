"""Where are all the records opened, with every table that anything here keeps in them?

Export, import and "delete everything" go over all tables that are known; a module that
nobody imported has none there. So the tables are put together here, above all who have
some, and this is the one door to the records.
"""

from __future__ import annotations

from app.load import checks as load_checks
from app.load import tables as load
from app.practice import checks as practice_checks
from app.practice import tables as practice
from app.records import models
from app.records.archive.checks import register
from app.records.store import open_records

__all__ = ["MODULES_WITH_TABLES", "open_records"]

MODULES_WITH_TABLES = (models, practice, load)

register(rows=practice_checks.ROWS)
register(rows=load_checks.ROWS, together=load_checks.check_loads)
