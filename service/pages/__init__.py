"""Web pages over the same routes: plain HTML made with Jinja2, and small scripts in `static`."""

from service.pages.routes import router as router
