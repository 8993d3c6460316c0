"""What was graded, what did people say of it, and what did buyers pay?"""

from app.records.errors import (
    BadArchiveError,
    NewerStoreError,
    NoSuchRecordError,
    PhotoLostError,
    RecordsError,
)
from app.records.stamp import stamp_of
from app.records.store import Records
from app.records.types import (
    CONFIRMED,
    BuyerRecord,
    NewPhoto,
    NewPiece,
    Outcome,
    OwnCall,
    PhotoRole,
    PiecePhoto,
    PieceRecord,
    PlaceOnPhoto,
    SheetStamp,
    new_pieces_of,
    place_of,
)

__all__ = [
    "CONFIRMED",
    "BadArchiveError",
    "BuyerRecord",
    "NewPhoto",
    "NewPiece",
    "NewerStoreError",
    "NoSuchRecordError",
    "Outcome",
    "OwnCall",
    "PhotoLostError",
    "PhotoRole",
    "PiecePhoto",
    "PieceRecord",
    "PlaceOnPhoto",
    "Records",
    "RecordsError",
    "SheetStamp",
    "new_pieces_of",
    "place_of",
    "stamp_of",
]
