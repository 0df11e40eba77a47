"""The templates of the pages. Everything put into them is escaped, but the project's own styles."""

from functools import cache
from importlib.resources import files

from jinja2 import Environment, PackageLoader, StrictUndefined, Template, select_autoescape
from markupsafe import Markup

_environment = Environment(
    loader=PackageLoader("api.pages", "templates"),
    autoescape=select_autoescape(default=True),
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)


@cache
def template(name: str) -> Template:
    """Return a template by its file name."""
    return _environment.get_template(name)


@cache
def style(name: str) -> Markup:
    """Return a style sheet by its file name, to be put into a page as it is."""
    return Markup((files(__name__) / name).read_text(encoding="utf-8"))
