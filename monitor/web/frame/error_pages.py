"""What is answered where a request cannot be: a page for people, problem details for programs."""

from fastapi import FastAPI, HTTPException, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, Response
from starlette.exceptions import HTTPException as StarletteHTTPException

from monitor.model.errors import Fault, InputError
from monitor.report.paper import PaperUnavailableError
from monitor.store.contract import ParquetUnavailableError, StoreUnavailableError
from monitor.web.frame.page import Pages
from monitor.web.frame.problems import faults_of, problem_response

_PROGRAMS = ("/api/", "/healthz", "/readyz", "/metrics", "/openapi.json")


def handle_errors(app: FastAPI, web: Pages) -> None:
    """Every error ends as an answer."""

    def answer(request: Request, status: int, title: str, faults: tuple[Fault, ...] = ()) -> Response:
        if request.url.path.startswith(_PROGRAMS):
            return problem_response(status, detail=title, faults=faults)
        return web.page(request, "problem.html", status, here="", title=title, faults=faults, code=status)

    @app.exception_handler(StarletteHTTPException)
    def http(request: Request, error: Exception) -> Response:
        assert isinstance(error, StarletteHTTPException | HTTPException)
        text = str(error.detail) if error.detail != "Not Found" else "There is no such page."
        response = answer(request, error.status_code, text)
        response.headers.update(error.headers or {})
        return response

    @app.exception_handler(RequestValidationError)
    def invalid(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)
        return answer(request, 422, "The request cannot be used.", tuple(faults_of(error.errors())))

    @app.exception_handler(InputError)
    def refused(request: Request, error: Exception) -> Response:
        assert isinstance(error, InputError)
        return answer(request, 422, "The entry cannot be used; nothing was changed.", error.faults)

    @app.exception_handler(ParquetUnavailableError)
    @app.exception_handler(PaperUnavailableError)
    def unwritten(request: Request, error: Exception) -> Response:
        return answer(request, 503, f"There is no such file here: {error}.")

    @app.exception_handler(StoreUnavailableError)
    def away(request: Request, error: Exception) -> Response:
        return answer(request, 503, f"The store cannot be used now: {error}. Nothing was changed; try again.")

    @app.exception_handler(Exception)
    def defect(request: Request, error: Exception) -> Response:
        """The last border: the error is logged by the server, the reader gets an answer."""
        if request.url.path.startswith(_PROGRAMS):
            return problem_response(500, detail="A defect in the service; its log has the details.")
        return HTMLResponse("<h1>Something is wrong in Dryshift itself</h1><p>Its log has the details.", 500)
