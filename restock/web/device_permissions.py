"""Which abilities of a device the site may ask a browser for: the camera, for scanning, and no other."""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

# W3C Permissions Policy. An empty list closes an ability to this site and to whatever it might embed.
POLICY = ", ".join(
    ["camera=(self)"]
    + [
        f"{ability}=()"
        for ability in ("microphone", "geolocation", "payment", "usb", "serial", "midi", "display-capture")
    ]
)


class PermissionsPolicyMiddleware:
    """Send the policy with every answer."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        response["Permissions-Policy"] = POLICY
        return response
