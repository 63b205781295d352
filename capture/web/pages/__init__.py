"""The pages: drawn by the server from the same views as the API, kept up to date by its stream."""

from fastapi import APIRouter
from starlette.staticfiles import StaticFiles

from capture.web.bench import Bench
from capture.web.pages import jobs, live, login, machines, readings, setup
from capture.web.pages.render import Renderer
from capture.web.pages.trouble import make_dress
from capture.web.problems import Dress


def make_router(bench: Bench) -> APIRouter:
    """Make the routes of all pages."""
    render = Renderer(bench)
    router = APIRouter(include_in_schema=False)
    for module in (live, login, jobs, machines, readings, setup):
        router.include_router(module.make_router(bench, render))
    return router


def make_problem_page(bench: Bench) -> Dress:
    """Make what shows problems to people."""
    return make_dress(Renderer(bench))


def static_files() -> StaticFiles:
    """Give the files that pages load."""
    return StaticFiles(packages=[("capture.web", "static")])
