"""The demonstration: an embedded broker, a simulated fleet, the gateway and a mail catcher."""
