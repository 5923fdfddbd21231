"""pyserial URL handlers; pyserial finds each as a module protocol_<scheme>."""
