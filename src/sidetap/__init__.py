"""sidetap: listen to an existing Modbus line and guard loading valves with a checked scheme."""
