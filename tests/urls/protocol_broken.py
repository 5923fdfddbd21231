"""`broken://`: a port whose handler needs a module that is not installed."""

import a_module_that_nobody_has  # type: ignore[import-not-found]  # noqa: F401
