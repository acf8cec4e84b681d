"""Static files under names that carry their content's hash."""

from __future__ import annotations

from whitenoise.storage import CompressedManifestStaticFilesStorage


class ModuleStorage(CompressedManifestStaticFilesStorage):
    """Also rewrites what our own modules import from each other, so that one version of a page can never
    load a module of another. Scripts of installed packages import nothing, and are left as they are."""

    patterns = (
        *CompressedManifestStaticFilesStorage.patterns,
        *(
            (folder, replacements)
            for glob, replacements in (CompressedManifestStaticFilesStorage._js_module_import_aggregation_patterns,)
            if glob == "*.js"
            for folder in ("field/*.js", "js/*.js")
        ),
    )
