"""The visit: vehicle, kit, placements, conditions, rounds, the tray, and the results that rounds have."""
