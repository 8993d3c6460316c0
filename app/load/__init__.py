"""The load: bins, buyers and prices; which piece is worth a minute; what to expect at the scale."""
