"""The command line, one module a command; `api.command` names them and loads only the one that is called."""
