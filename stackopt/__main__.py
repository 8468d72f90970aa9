"""`python -m stackopt`, and what the installed command runs."""


def run() -> None:
    """Run the command line; a Ctrl-C while it is still loading ends it as any other."""
    try:
        from stackopt.cli import main
    except KeyboardInterrupt:
        raise SystemExit(130) from None
    main()


if __name__ == "__main__":
    run()
