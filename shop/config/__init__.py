"""The deployment: settings, routes and servers. The only room that may name all three apps."""
