"""The engine: a pure function of its inputs. Decode, quality, derive, alarm, over blocks of any length."""

from brakewater.engine.engine import Engine

__all__ = ["Engine"]
