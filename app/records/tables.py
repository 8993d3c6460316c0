"""Every module with tables in the records' database, so that none is forgotten.

Export, import and "delete everything" go over all tables of ``Base``; a module that
nobody imported has none there.
"""

from __future__ import annotations

from app.load import tables as load
from app.practice import tables as practice
from app.records import models

MODULES = (models, practice, load)
