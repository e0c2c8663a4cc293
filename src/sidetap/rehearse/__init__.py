"""The simulated yard and the real station, joined: demo today, scripts and faults to come."""
