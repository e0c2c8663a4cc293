"""The simulated yard and the real station, joined: the demo, and counter-examples played by hands."""
