from farmwatch.cli import main

main()
