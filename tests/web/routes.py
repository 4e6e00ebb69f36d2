"""Every route that the URL configuration has, for tests that must not forget one."""

from collections.abc import Iterator

from django.urls import URLPattern, get_resolver


def every_route(patterns=None, namespace="") -> Iterator[tuple[str, URLPattern, tuple[str, ...]]]:
    """Yield (view name with its namespace, pattern, names of its arguments)."""
    for pattern in get_resolver().url_patterns if patterns is None else patterns:
        if isinstance(pattern, URLPattern):
            yield f"{namespace}{pattern.name}", pattern, tuple(pattern.pattern.regex.groupindex)
        else:
            inner = f"{namespace}{pattern.namespace}:" if pattern.namespace else namespace
            yield from every_route(pattern.url_patterns, inner)
