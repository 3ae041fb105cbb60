"""How programs sign in: with a bearer token in the Authorization header (RFC 6750)."""

from typing import Any

from drf_spectacular.extensions import OpenApiAuthenticationExtension
from knox.auth import TokenAuthentication
from rest_framework.exceptions import AuthenticationFailed


class BearerTokens(TokenAuthentication):  # type: ignore[misc] # its package has no types
    """Tokens of shop.people.tokens, sent as `Authorization: Bearer ...`."""

    def authenticate_credentials(self, token: bytes) -> Any:
        """Return the person and the token's row. Raises AuthenticationFailed for any other text."""
        if not token.isascii():
            raise AuthenticationFailed("Invalid token.")
        return super().authenticate_credentials(token)


class BearerTokensInSchema(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    """Describes the header in OpenAPI."""

    target_class = BearerTokens
    name = "token"

    def get_security_definition(self, auto_schema: Any) -> dict[str, str]:  # noqa: ARG002
        """Return the scheme of OpenAPI 3."""
        return {"type": "http", "scheme": "bearer", "description": "A token made on the page API tokens."}
