"""``python -m api``: the command ``lobewright``, where no script of that name stands in the path."""

from api.command import main

if __name__ == "__main__":
    main()
