"""How did the records' tables change over time? One file a change."""
