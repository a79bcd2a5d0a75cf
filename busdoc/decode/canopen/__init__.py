"""CANopen (CiA 301): network management, heartbeats, node guarding and emergency messages."""
