"""`python -m frametally` is the command `frametally`."""

from frametally.cli.main import main

if __name__ == "__main__":
    main()
