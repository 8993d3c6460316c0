"""Every trained file with its card and calibration, the loader that checks it, and its recipe."""
