"""Facts about gases: density, heat, viscosity, and how fast they flow."""
