"""Web pages over the functions that the API uses: HTML made with Jinja2, small scripts in `static`."""

from fastapi import APIRouter

from service.pages import beside, client, clip, entry, joint_range, staff
from service.pages.view import Page, headers_of, problem

__all__ = ["headers_of", "problem", "router"]

router = APIRouter(route_class=Page)
for module in (entry, client, staff, clip, beside, joint_range):
    router.include_router(module.router)
