"""Static files under names that carry their content's hash."""

from __future__ import annotations

from whitenoise.storage import CompressedManifestStaticFilesStorage


class ModuleStorage(CompressedManifestStaticFilesStorage):
    """Also rewrites what the field page's modules import from each other, so that one version of the
    page can never load a module of another. Other scripts import nothing, and are left as they are."""

    patterns = (
        *CompressedManifestStaticFilesStorage.patterns,
        *(
            ("field/*.js", replacements)
            for glob, replacements in (CompressedManifestStaticFilesStorage._js_module_import_aggregation_patterns,)
            if glob == "*.js"
        ),
    )
