"""Synthesis of chanter, drones and drum pulse: practice sound before the band exists."""
