"""The templates of the pages. Everything put into them is escaped."""

from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined, Template, select_autoescape

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
