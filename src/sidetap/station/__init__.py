"""The running station: the only place with clocks, devices and sockets. Names are imported from its modules."""

__all__: list[str] = []
