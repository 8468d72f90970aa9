"""What goes with the settings before and after: oil in its lines, spray, stock and energy, the room, weighing."""
