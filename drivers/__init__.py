"""Built-in drivers, one folder a family. They use the same door as anybody else's."""
