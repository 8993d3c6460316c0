"""The page of the load: bins, buyers, plan, tickets."""
