"""From a photo to findings. Knows ``rules`` only for its contracts."""
