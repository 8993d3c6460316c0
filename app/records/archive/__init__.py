"""How do all records get into one file, and back without loss?

A ``.zip`` with ``records.json`` (schema ``cuproscope.records/1``) and the photos as
``photos/HASH.jpg`` or ``.png``. Importing takes nothing on trust: every name, size,
hash and value is checked before anything is written, nothing is unpacked by its name,
and the rows come in one transaction. Importing the same file again changes nothing.
"""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import IO, TYPE_CHECKING

from sqlalchemy.exc import IntegrityError

from app.records.archive.contents import FIX
from app.records.archive.export import Exported, export_zip
from app.records.archive.merge import Import, Imported
from app.records.archive.unpack import DAMAGE, check_directory, content_of, members_of, store_photos
from app.records.errors import BadArchiveError, RecordsError

if TYPE_CHECKING:
    from app.records.store import Records

__all__ = ["Exported", "Imported", "export_zip", "import_zip"]


def import_zip(records: Records, source: Path | IO[bytes]) -> Imported:
    """Take in what :func:`export_zip` wrote, all or nothing.

    A piece that is there already keeps what is newer, and gets the photos, calls,
    outcomes and tags that it lacks. Buyers and others of the same name become one.

    Raises:
        BadArchiveError: The file is damaged, unsafe or not an export; nothing was
            written.
    """
    with records.keeping() as keep:
        try:
            check_directory(source)
            with zipfile.ZipFile(source) as archive:
                members = members_of(archive)
                content = content_of(archive, members)
                photos = store_photos(keep, archive, members, content)
        except (FileNotFoundError, IsADirectoryError, PermissionError) as fault:
            raise RecordsError(f"can't be read: {fault}") from fault
        except DAMAGE as fault:
            raise BadArchiveError("is no whole zip file", fix=FIX) from fault
        try:
            with records.writing() as session:
                return Import(records, session, content, photos).run()
        except RecordsError as fault:
            if isinstance(fault.__cause__, IntegrityError):
                raise BadArchiveError("its records don't fit together", fix=FIX) from fault
            raise
