"""The wall: mesh, operators, faces, march with sensitivities, thermocouples."""
