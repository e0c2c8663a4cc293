"""The verbs, one module each, and the only place that prints.

Arguments -> a call into a room below -> text or one JSON document. A verb holds no rule of the trade.
"""
