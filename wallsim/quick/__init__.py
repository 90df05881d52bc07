"""What the traces say without the fit: it shares with these but logs, stated values and metals."""
