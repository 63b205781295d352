"""``benchtally schema``: the JSON Schemas of what is stored and published."""

from pathlib import Path
from typing import Annotated

import typer

from capture.cli.output import DONE, FAILED, complain, say
from capture.errors import InputError


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def schema(
        name: Annotated[
            str | None, typer.Argument(help="Schema to print: reading, tag, profile, procedure …")
        ] = None,
        write: Annotated[
            Path | None, typer.Option(metavar="DIR", help="Write all of them into a folder.")
        ] = None,
        check: Annotated[
            Path | None,
            typer.Option(
                metavar="DIR", help="Compare a folder with the models; 1 on a difference."
            ),
        ] = None,
    ) -> int:
        """Print, write or check the JSON Schemas (2020-12)."""
        from capture.driver.profile.schema import profile_documents
        from capture.jobs.schema import procedure_documents
        from capture.model import schemas

        documents = {**schemas.documents(), **profile_documents(), **procedure_documents()}
        if name is not None:
            text = documents.get(f"{name}.v1.json")
            if text is None:
                raise InputError(f"no schema {name!r}; there are {', '.join(_names(documents))}")
            say(text.rstrip())
        elif write is not None:
            write.mkdir(parents=True, exist_ok=True)
            for file, text in documents.items():
                (write / file).write_text(text, "utf-8")
        elif check is not None:
            return _check(check, documents)
        else:
            say("\n".join(_names(documents)))
        return DONE


def _names(documents: dict[str, str]) -> list[str]:
    return [file.removesuffix(".v1.json") for file in documents]


def _check(folder: Path, documents: dict[str, str]) -> int:
    different = [
        file
        for file, text in documents.items()
        if not (folder / file).is_file() or (folder / file).read_text("utf-8") != text
    ]
    for file in different:
        complain(f"{folder / file} differs from the models; run `make schemas` and commit it")
    return FAILED if different else DONE
