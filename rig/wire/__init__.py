"""The lines to instruments: Modbus and serial, client and server ends."""
