"""Pages from their templates, with pictures inside."""

from __future__ import annotations

from importlib import resources

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from raysim.report.pictures import Picture

PACKAGE = "raysim.report"


def render(template: str, **values: object) -> Markup:
    """Fill `report/TEMPLATE.html.jinja`; a value that it asks for and doesn't get is an error."""
    environment = Environment(
        loader=PackageLoader(PACKAGE, ""),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
    )
    environment.globals["picture"] = embedded
    return Markup(environment.get_template(f"{template}.html.jinja").render(**values))


def text_file(name: str) -> Markup:
    """A style sheet or script of the report, to stand in a page as it is."""
    return Markup((resources.files(PACKAGE) / name).read_text("utf-8"))


def embedded(picture: Picture) -> Markup:
    """Return the picture as a figure with its file inside."""
    caption = (
        Markup("<figcaption>{}</figcaption>").format(picture.caption) if picture.caption else ""
    )
    return Markup(
        '<figure style="width:{}px"><img src="{}" alt="{}" width="{}" height="{}">{}</figure>'
    ).format(
        picture.width_px, picture.uri, picture.alt, picture.width_px, picture.height_px, caption
    )
