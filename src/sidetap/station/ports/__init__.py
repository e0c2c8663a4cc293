"""Devices and sockets: the only place that opens any. The tap's are opened for reading and never written."""
