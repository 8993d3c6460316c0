"""What does a person touch? The command line and the pages; no measuring and no grading here."""

import os

# Before numpy is first imported. Our matrix products are small: two threads win 4 ms of a
# photo on an idle machine and, waiting for each other, burn a third of the processor time
# on a busy one (3.0 against 1.9 s for the command line on one 12-megapixel photo).
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
