"""What a tap that waited on a phone needs before it is sent: its session's form token as it is now."""

from fastapi import APIRouter, Request

from monitor.web.frame.guard import TOKEN_PATH, form_token, session_of
from monitor.web.frame.page import Web


def routes(web: Web) -> APIRouter:
    """One address; that it answers shows that the service itself is reached."""
    router = APIRouter(include_in_schema=False)

    @router.get(TOKEN_PATH)
    def token(request: Request) -> dict[str, str]:
        return {"token": form_token(web.deps.key, session_of(request))}

    return router
