"""Changes of the records' tables, one file each; run by ``app.records.database``."""
