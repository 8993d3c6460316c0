"""How is all made that was learned? Rendered photos with exact truth, and what trains on them."""
