"""focuskit: best focus from focus frames, its drift with temperature, and when to refocus.

What a user needs is here: the functions, and the classes of what they return. The names stand in ``__init__.pyi``,
which type checkers read; each is loaded when it is first used, so that the command line answers at once.
"""

import lazy_loader

__version__ = "0.1.0"

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
