"""One numeric thread: small systems gain nothing from several, and lose much on a busy machine.

Set before numpy is loaded; the processes that tests start, and those of `pytest -n`, inherit it.
"""

import os

os.environ.update(
    dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
)
