"""An installation: how it is served, set, backed up, updated and watched."""
