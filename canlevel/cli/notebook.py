"""Command: notebook. A notebook to begin with, written out."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from canlevel.cli.program import app
from canlevel.errors import Place, QueryError, StoreError, printable

__all__: list[str] = []


@app.command(
    short_help="Write out a notebook that looks at histories.",
    epilog="Example:  canlevel notebook -o history.ipynb && jupyter lab history.ipynb",
)
def notebook(
    output: Annotated[Path, typer.Option("-o", "--output", metavar="FILE", help="Where to.")] = Path("history.ipynb"),
    force: Annotated[bool, typer.Option("--force", help="Also over a file that is there.")] = False,
) -> None:
    """Write out a notebook: daily use, habits of filling, a hunt for leaks, vehicles side by side.

    It runs as it is, on three invented coaches; in its first cell your own stores take their place. Jupyter comes with
    pip install 'canlevel[notebook]'.
    """
    from canlevel.shipped import shipped_notebook

    try:
        with output.open("wb" if force else "xb") as file:
            file.write(shipped_notebook())
    except FileExistsError:
        raise QueryError(
            f"{printable(str(output))} is there already", next_step="name another file, or add --force"
        ) from None
    except OSError as error:
        raise StoreError(f"cannot be written ({error.strerror})", where=Place(str(output))) from error
    print(f"{printable(str(output))}: open it in Jupyter, for example with: jupyter lab {printable(str(output))}")
