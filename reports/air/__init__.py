"""Pages about the air: files brought, sensors and their readings, climate of the rooms."""
