"""How a page is made: templates, words, drawings, and errors shown as a page."""

from collections.abc import Callable, Coroutine
from datetime import datetime
from importlib.resources import files as resource
from typing import Any, Final

from fastapi import Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import RedirectResponse
from fastapi.routing import APIRoute
from fastapi.templating import Jinja2Templates
from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from markupsafe import Markup

from analysis import exercises, palette, plots
from analysis.conventions import SIGNALS
from analysis.errors import MatlineError
from analysis.progress.limits import label
from analysis.report import words
from service.errors import NotFound, NotSignedIn, ServiceError, TooMany, Unavailable
from service.guard import host_of
from service.pages import plain
from service.store.models import Person

DAYS: Final = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
# The pages' policy refuses styles inside of HTML; the style sheet says the same.
_INLINE_STYLE: Final = ' style="overflow:visible"'


def _amount(value: float | None, unit: str = "deg") -> str:
    """A value for people; no minus before a zero."""
    text = words.amount(value, unit)
    return text if set(text) & set("123456789") else text.removeprefix("\N{MINUS SIGN}")


def _signed(value: float) -> str:
    """A difference [deg] with its sign."""
    text = _amount(value)
    return f"+{text}" if value > 0 and text != _amount(0.0) else text


def _when(at: datetime) -> Markup:
    """A moment, which a script then tells in the reader's own time."""
    day = f"{at:%a} {at.day} {at:%b %Y}"
    return Markup('<time datetime="{}">{}, {:%H:%M} UTC</time>').format(at.isoformat(), day, at)


_environment = Environment(
    loader=PackageLoader("service", "templates"),
    autoescape=select_autoescape(),
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
    auto_reload=False,
)
_environment.globals.update(
    DAYS=DAYS,
    SIGNALS=SIGNALS,
    words=words.words(),
    tally=words.tally,
    span=words.span,
    name_of=words.name_of,
    near=words.near,
    numbers=words.numbers,
    exercise_of=exercises.load,
    measure_label=label,
    deed=plain.deed,
)
_environment.filters.update(
    amount=_amount,
    signed=_signed,
    moment=words.moment,
    when=_when,
    day=lambda at: f"{at:%a} {at.day} {at:%b %Y}",
    short_day=lambda at: f"{at.day}\N{NO-BREAK SPACE}{at:%b} {at:%Y}",
    symbol=lambda verdict: Markup(plots.symbol(verdict)),
)
_templates = Jinja2Templates(env=_environment)


def page(
    request: Request, name: str, person: Person | None = None, status: int = 200, **data: Any
) -> Response:
    """The page of a template, for the person who is signed in."""
    return _templates.TemplateResponse(request, name, data | {"person": person}, status)


def text_of(name: str, **data: Any) -> str:
    """The text of a template that needs no request, such as a paper."""
    return _environment.get_template(name).render(**data)


def drawing(svg: str) -> Markup:
    """A drawing of ours as part of a page."""
    return Markup(svg.replace(_INLINE_STYLE, ""))


def look() -> str:
    """The style sheet of all pages: the palette, the report's own look, and what only pages need."""
    light, dark = (
        "".join(f"--{name}: {pair[i]}; " for name, pair in palette.PALETTE.items()) for i in (0, 1)
    )
    own = resource("service").joinpath("static/pages.css").read_text("utf-8")
    report = resource("analysis.report").joinpath("page.css").read_text("utf-8")
    dark_part = f"@media screen and (prefers-color-scheme: dark) {{ :root {{ {dark}}} }}"
    return f":root {{ color-scheme: light dark; {light}}}\n{dark_part}\n{report}\n{own}"


class Page(APIRoute):
    """A route whose errors are pages; whoever is not signed in is led to signing in."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """The handler, with errors told as pages."""
        handle = super().get_route_handler()

        async def told(request: Request) -> Response:
            try:
                return await handle(request)
            except NotSignedIn:
                return RedirectResponse("/sign-in", 303)
            except RequestValidationError:
                return problem(request, NotFound())
            except MatlineError as error:
                return problem(request, error)

        return told


def problem(request: Request, error: MatlineError) -> Response:
    """An error as a page."""
    status = error.status if isinstance(error, ServiceError) else 422
    again = isinstance(error, TooMany | Unavailable) and request.method == "GET"
    settings = request.app.state.settings
    here = host_of(request.headers) in settings.allowed_hosts
    home = "/" if here else settings.address
    shown = page(request, "problem.html", None, status, message=str(error), again=again, home=home)
    shown.headers.update(headers_of(error))
    return shown


def headers_of(error: MatlineError) -> dict[str, str]:
    """What else is said where an error is answered."""
    return {"Retry-After": str(error.wait_s)} if isinstance(error, TooMany) else {}
