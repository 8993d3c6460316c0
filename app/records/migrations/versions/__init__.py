"""Which change came when? One file each, run in order."""
