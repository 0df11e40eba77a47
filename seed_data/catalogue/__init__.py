"""The catalogue of part types, service rules, symptoms and set-points, as TOML files."""

from pathlib import Path

from scheduler.catalogue import Catalogue
from scheduler.catalogue_text import parse_catalogue


def load_catalogue(folder: Path | None = None) -> Catalogue:
    """Read the catalogue from every TOML file of a folder, by default the one shipped.

    Raises
    ------
    InvalidCatalogue
        With every flaw in every file, each with its file, line and key.
    """
    folder = folder or Path(__file__).parent
    return parse_catalogue(
        {path.name: path.read_text(encoding="utf-8") for path in sorted(folder.glob("*.toml"))}
    )
