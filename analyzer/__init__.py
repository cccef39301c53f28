"""Roll gradient, bottoming and load share from on-car logs, set against the fitted anti-roll bar.

The public library: ``analyzer.review("sample_logs")`` and the other names of `__all__`, explained in
docs/library.md and listed in ``__init__.pyi``. A name is loaded when it is first asked for, so that the
import itself, and with it the command line's help, stays quick.
"""

import lazy_loader

__version__ = "0.2.0"
__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
