"""Modbus: what asks (``link``) and what answers (``pdu``, ``frames``, ``server``)."""
