"""Servers and devices that are asked rather than heard: OPC UA and Modbus TCP."""
