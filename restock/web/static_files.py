"""How static files are stored in production."""

from whitenoise.storage import CompressedManifestStaticFilesStorage


class HashedModulesStorage(CompressedManifestStaticFilesStorage):
    """Names with a hash of the content, also where one of our JavaScript modules imports another."""

    support_js_module_import_aggregation = True
