"""Build the pages of the public names, without a warning.

python -m tests.house.api_pages FOLDER
"""

from __future__ import annotations

import sys
import warnings
from pathlib import Path

import shaping


def build(folder: Path) -> None:
    """Write one page of everything in ``shaping.__all__`` into a folder."""
    import pdoc
    import pdoc.render

    for name in shaping.__all__:
        getattr(shaping, name)  # pdoc sees only what is loaded
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        pdoc.render.configure(docformat="numpy")
        pdoc.pdoc("shaping", output_directory=folder)


if __name__ == "__main__":
    build(Path(sys.argv[1]))
