# Print an optspec for argparse to handle cmd's options that are independent of any subcommand.
function __fish_motelight_global_optspecs
    string join \n h/help V/version
end

function __fish_motelight_needs_command
    # Figure out if the current invocation already has a command.
    set -l cmd (commandline -opc)
    set -e cmd[1]
    argparse -s (__fish_motelight_global_optspecs) -- $cmd 2>/dev/null
    or return
    if set -q argv[1]
        # Also print the command, so this can be used to figure out what it is.
        echo $argv[1]
        return 1
    end
    return 0
end

function __fish_motelight_using_subcommand
    set -l cmd (__fish_motelight_needs_command)
    test -z "$cmd"
    and return 1
    contains -- $cmd[1] $argv
end

complete -c motelight -n "__fish_motelight_needs_command" -s h -l help -d 'Print help'
complete -c motelight -n "__fish_motelight_needs_command" -s V -l version -d 'Print version'
complete -c motelight -n "__fish_motelight_needs_command" -f -a "inspect" -d 'Judge test frames: what lies on the glass, from which f-number on it shows'
complete -c motelight -n "__fish_motelight_needs_command" -f -a "recheck" -d 'Hold a second test frame against the first: what is gone, stayed, moved or new, and what to do next'
complete -c motelight -n "__fish_motelight_needs_command" -f -a "mend" -d 'Take the shadows of a test frame\'s motes out of pictures by the same body'
complete -c motelight -n "__fish_motelight_needs_command" -f -a "trace" -d 'Find the motes of a whole shoot in its pictures alone, and when each came'
complete -c motelight -n "__fish_motelight_needs_command" -f -a "signoff" -d 'Look finished pictures over one last time, for the print or screen they are meant for'
complete -c motelight -n "__fish_motelight_needs_command" -f -a "merge" -d 'Put together what several machines wrote, each for its part of the pictures (--part)'
complete -c motelight -n "__fish_motelight_needs_command" -f -a "rake" -d 'Draw a picture as a raking view, its small differences raised, to check it by eye'
complete -c motelight -n "__fish_motelight_needs_command" -f -a "ledger" -d 'What was recorded of bodies, test frames, passes and supplies, and what it is good for'
complete -c motelight -n "__fish_motelight_needs_command" -f -a "window" -d 'Open the window: the whole job on screen'
complete -c motelight -n "__fish_motelight_needs_command" -f -a "demo" -d 'Make a demo shoot and run the whole line on it'
complete -c motelight -n "__fish_motelight_needs_command" -f -a "help" -d 'Print this message or the help of the given subcommand(s)'
complete -c motelight -n "__fish_motelight_using_subcommand inspect" -l sensor -d 'Sensor width and height in mm, for files that do not tell their pixel pitch: 36x24' -r
complete -c motelight -n "__fish_motelight_using_subcommand inspect" -l ledger -d 'The ledger (default: MOTELIGHT_LEDGER, else ledger.sqlite in the user\'s data folder)' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand inspect" -l out -d 'Folder for what is written: reports, mended copies' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand inspect" -l print -d 'Nothing may show in a print of this size: 60x40cm, 24x16in' -r
complete -c motelight -n "__fish_motelight_using_subcommand inspect" -l distance -d 'Seen from this far: 90cm (default: the print\'s diagonal; 60 cm for a screen)' -r
complete -c motelight -n "__fish_motelight_using_subcommand inspect" -l json -d 'Write the result as JSON to standard output, and nothing else there'
complete -c motelight -n "__fish_motelight_using_subcommand inspect" -l no-record -d 'Write nothing to the ledger'
complete -c motelight -n "__fish_motelight_using_subcommand inspect" -l screen -d 'Nothing may show at 100 % on a screen (default: both this and a 60x40cm print)'
complete -c motelight -n "__fish_motelight_using_subcommand inspect" -s h -l help -d 'Print help'
complete -c motelight -n "__fish_motelight_using_subcommand recheck" -l pass -d 'A pass made between the two; once per pass, in their order' -r -f -a "blow\t''
brush\t''
swab\t''"
complete -c motelight -n "__fish_motelight_using_subcommand recheck" -l booked -d 'Largest f-number of the work booked: f/11 (default: assumed f/16)' -r
complete -c motelight -n "__fish_motelight_using_subcommand recheck" -l sensor -d 'Sensor width and height in mm, for files that do not tell their pixel pitch: 36x24' -r
complete -c motelight -n "__fish_motelight_using_subcommand recheck" -l ledger -d 'The ledger (default: MOTELIGHT_LEDGER, else ledger.sqlite in the user\'s data folder)' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand recheck" -l out -d 'Folder for what is written: reports, mended copies' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand recheck" -l print -d 'Nothing may show in a print of this size: 60x40cm, 24x16in' -r
complete -c motelight -n "__fish_motelight_using_subcommand recheck" -l distance -d 'Seen from this far: 90cm (default: the print\'s diagonal; 60 cm for a screen)' -r
complete -c motelight -n "__fish_motelight_using_subcommand recheck" -l grit -d 'Sand or other grit may be on the glass'
complete -c motelight -n "__fish_motelight_using_subcommand recheck" -l on-location -d 'Not at a clean, still place'
complete -c motelight -n "__fish_motelight_using_subcommand recheck" -l battery-low -d 'The battery is not full'
complete -c motelight -n "__fish_motelight_using_subcommand recheck" -l cold -d 'The body is cold or misted'
complete -c motelight -n "__fish_motelight_using_subcommand recheck" -l manual-forbids -d 'The manual or the warranty forbids cleaning, or leaves it in doubt'
complete -c motelight -n "__fish_motelight_using_subcommand recheck" -l json -d 'Write the result as JSON to standard output, and nothing else there'
complete -c motelight -n "__fish_motelight_using_subcommand recheck" -l no-record -d 'Write nothing to the ledger'
complete -c motelight -n "__fish_motelight_using_subcommand recheck" -l screen -d 'Nothing may show at 100 % on a screen (default: both this and a 60x40cm print)'
complete -c motelight -n "__fish_motelight_using_subcommand recheck" -s h -l help -d 'Print help'
complete -c motelight -n "__fish_motelight_using_subcommand mend" -l test-frame -d 'The test frame by the same body, taken before or after the shoot' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand mend" -l trace -d 'Mend by the trace of the shoot instead of a test frame: the document that `motelight trace --json` wrote, or, without a file, a trace made now of the pictures named' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand mend" -l originals -d 'The pictures are finished ones, cropped, straightened, toned or resized: folder of the originals they were made from. Each is brought together with its own, and the shadows are taken out where they lie in it' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand mend" -l masks -d 'Write a mask of what was changed for every picture, as 8-bit PNG (into DIR, or `masks` beside the copies)' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand mend" -l only -d 'Mend these motes or pictures and nothing else: a mote\'s number, a picture\'s name, or PICTURE:MOTE' -r
complete -c motelight -n "__fish_motelight_using_subcommand mend" -l skip -d 'Leave these motes or pictures as they are' -r
complete -c motelight -n "__fish_motelight_using_subcommand mend" -l mend -d 'Take these motes out even where a picture does not plainly show them' -r
complete -c motelight -n "__fish_motelight_using_subcommand mend" -l part -d 'Mend only part K of N of the pictures, on one of N machines, into the same folder. With --json its document is for `motelight merge`. Writes nothing to the ledger' -r
complete -c motelight -n "__fish_motelight_using_subcommand mend" -l sensor -d 'Sensor width and height in mm, for files that do not tell their pixel pitch: 36x24' -r
complete -c motelight -n "__fish_motelight_using_subcommand mend" -l ledger -d 'The ledger (default: MOTELIGHT_LEDGER, else ledger.sqlite in the user\'s data folder)' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand mend" -l out -d 'Folder for what is written: reports, mended copies' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand mend" -l print -d 'Nothing may show in a print of this size: 60x40cm, 24x16in' -r
complete -c motelight -n "__fish_motelight_using_subcommand mend" -l distance -d 'Seen from this far: 90cm (default: the print\'s diagonal; 60 cm for a screen)' -r
complete -c motelight -n "__fish_motelight_using_subcommand mend" -l dry-run -d 'Say what would be done and write nothing'
complete -c motelight -n "__fish_motelight_using_subcommand mend" -l gain-maps -d 'Leave the sensor data of raws as they are and write the correction beside them, as gain maps of a DNG. Not proved: no independent reader that applies them was at hand'
complete -c motelight -n "__fish_motelight_using_subcommand mend" -l same-body -d 'Pictures and test frame are of one body, whatever the files tell'
complete -c motelight -n "__fish_motelight_using_subcommand mend" -l undo -d 'Turn mended copies back into their originals, by the records beside them'
complete -c motelight -n "__fish_motelight_using_subcommand mend" -l json -d 'Write the result as JSON to standard output, and nothing else there'
complete -c motelight -n "__fish_motelight_using_subcommand mend" -l no-record -d 'Write nothing to the ledger'
complete -c motelight -n "__fish_motelight_using_subcommand mend" -l screen -d 'Nothing may show at 100 % on a screen (default: both this and a 60x40cm print)'
complete -c motelight -n "__fish_motelight_using_subcommand mend" -s h -l help -d 'Print help'
complete -c motelight -n "__fish_motelight_using_subcommand trace" -l test-frame -d 'A test frame by the same body: its motes are looked for first, its glass height is taken where pictures do not tell it (default: the newest one of the body in the ledger)' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand trace" -l watch -d 'Follow a growing folder (tethered camera, card being copied) and speak up when a new mote will show' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand trace" -l part -d 'Only read part K of N of the pictures, on one of N machines, into a part file below --out; `motelight merge` judges all parts as one run would' -r
complete -c motelight -n "__fish_motelight_using_subcommand trace" -l sensor -d 'Sensor width and height in mm, for files that do not tell their pixel pitch: 36x24' -r
complete -c motelight -n "__fish_motelight_using_subcommand trace" -l ledger -d 'The ledger (default: MOTELIGHT_LEDGER, else ledger.sqlite in the user\'s data folder)' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand trace" -l out -d 'Folder for what is written: reports, mended copies' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand trace" -l print -d 'Nothing may show in a print of this size: 60x40cm, 24x16in' -r
complete -c motelight -n "__fish_motelight_using_subcommand trace" -l distance -d 'Seen from this far: 90cm (default: the print\'s diagonal; 60 cm for a screen)' -r
complete -c motelight -n "__fish_motelight_using_subcommand trace" -l json -d 'Write the result as JSON to standard output, and nothing else there'
complete -c motelight -n "__fish_motelight_using_subcommand trace" -l no-record -d 'Write nothing to the ledger'
complete -c motelight -n "__fish_motelight_using_subcommand trace" -l screen -d 'Nothing may show at 100 % on a screen (default: both this and a 60x40cm print)'
complete -c motelight -n "__fish_motelight_using_subcommand trace" -s h -l help -d 'Print help'
complete -c motelight -n "__fish_motelight_using_subcommand signoff" -l trace -d 'The trace of the shoot (what `trace --json` wrote): each of its motes is answered for' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand signoff" -l test-frame -d 'A test frame by the body of the originals: each of its motes that its original shows is answered for' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand signoff" -l originals -d 'Folder of the originals that the pictures were made from. With neither a trace nor a test frame, the ledger\'s test frames of their bodies tell the motes' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand signoff" -l part -d 'Look over only part K of N of the pictures, on one of N machines. With --json its document is for `motelight merge`. Writes nothing to the ledger, and no pages' -r
complete -c motelight -n "__fish_motelight_using_subcommand signoff" -l sensor -d 'Sensor width and height in mm, for files that do not tell their pixel pitch: 36x24' -r
complete -c motelight -n "__fish_motelight_using_subcommand signoff" -l ledger -d 'The ledger (default: MOTELIGHT_LEDGER, else ledger.sqlite in the user\'s data folder)' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand signoff" -l out -d 'Folder for what is written: reports, mended copies' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand signoff" -l print -d 'Nothing may show in a print of this size: 60x40cm, 24x16in' -r
complete -c motelight -n "__fish_motelight_using_subcommand signoff" -l distance -d 'Seen from this far: 90cm (default: the print\'s diagonal; 60 cm for a screen)' -r
complete -c motelight -n "__fish_motelight_using_subcommand signoff" -l json -d 'Write the result as JSON to standard output, and nothing else there'
complete -c motelight -n "__fish_motelight_using_subcommand signoff" -l no-record -d 'Write nothing to the ledger'
complete -c motelight -n "__fish_motelight_using_subcommand signoff" -l screen -d 'Nothing may show at 100 % on a screen (default: both this and a 60x40cm print)'
complete -c motelight -n "__fish_motelight_using_subcommand signoff" -s h -l help -d 'Print help'
complete -c motelight -n "__fish_motelight_using_subcommand merge" -l out -d 'Folder for the page of a trace' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand merge" -s h -l help -d 'Print help'
complete -c motelight -n "__fish_motelight_using_subcommand rake" -l out -d 'The PNG to write; an older raking view of that name is replaced, nothing else is' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand rake" -l strength -d 'How strongly differences are raised: one of 1 % moves the tone by this many % from mid-grey, 0.5 to 100' -r
complete -c motelight -n "__fish_motelight_using_subcommand rake" -l scale -d 'Differences narrower than this share of the picture\'s long side are kept, 0.1% to 50%' -r
complete -c motelight -n "__fish_motelight_using_subcommand rake" -l json -d 'Write the result as JSON to standard output, and nothing else there'
complete -c motelight -n "__fish_motelight_using_subcommand rake" -s h -l help -d 'Print help'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and not __fish_seen_subcommand_from list show pass body supply shoot ready pack deliveries export import report help" -l ledger -d 'The ledger (default: MOTELIGHT_LEDGER, else ledger.sqlite in the user\'s data folder)' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and not __fish_seen_subcommand_from list show pass body supply shoot ready pack deliveries export import report help" -l json -d 'Write the result as JSON to standard output, and nothing else there'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and not __fish_seen_subcommand_from list show pass body supply shoot ready pack deliveries export import report help" -s h -l help -d 'Print help'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and not __fish_seen_subcommand_from list show pass body supply shoot ready pack deliveries export import report help" -f -a "list" -d 'List all bodies'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and not __fish_seen_subcommand_from list show pass body supply shoot ready pack deliveries export import report help" -f -a "show" -d 'Tell a body\'s story: how clear it was, its passes, what arrives, how long it stays clear'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and not __fish_seen_subcommand_from list show pass body supply shoot ready pack deliveries export import report help" -f -a "pass" -d 'Write a pass down'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and not __fish_seen_subcommand_from list show pass body supply shoot ready pack deliveries export import report help" -f -a "body" -d 'Name a body; write its use and a workshop\'s quote down'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and not __fish_seen_subcommand_from list show pass body supply shoot ready pack deliveries export import report help" -f -a "supply" -d 'Supplies: without a name the stock is listed'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and not __fish_seen_subcommand_from list show pass body supply shoot ready pack deliveries export import report help" -f -a "shoot" -d 'Shoots: without a name all are listed'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and not __fish_seen_subcommand_from list show pass body supply shoot ready pack deliveries export import report help" -f -a "ready" -d 'Whether every body of a shoot is ready, on one screen'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and not __fish_seen_subcommand_from list show pass body supply shoot ready pack deliveries export import report help" -f -a "pack" -d 'Clean before the trip or not, and what to pack'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and not __fish_seen_subcommand_from list show pass body supply shoot ready pack deliveries export import report help" -f -a "deliveries" -d 'What was mended and signed off'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and not __fish_seen_subcommand_from list show pass body supply shoot ready pack deliveries export import report help" -f -a "export" -d 'Write everything out: one JSON document and one CSV file per table'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and not __fish_seen_subcommand_from list show pass body supply shoot ready pack deliveries export import report help" -f -a "import" -d 'Take an export back, into a ledger that has nothing in it yet'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and not __fish_seen_subcommand_from list show pass body supply shoot ready pack deliveries export import report help" -f -a "report" -d 'Write a page with every body\'s story and plots'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and not __fish_seen_subcommand_from list show pass body supply shoot ready pack deliveries export import report help" -f -a "help" -d 'Print this message or the help of the given subcommand(s)'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from list" -l ledger -d 'The ledger (default: MOTELIGHT_LEDGER, else ledger.sqlite in the user\'s data folder)' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from list" -l json -d 'Write the result as JSON to standard output, and nothing else there'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from list" -s h -l help -d 'Print help'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from show" -l booked -d 'The f-number to judge for' -r
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from show" -l ledger -d 'The ledger (default: MOTELIGHT_LEDGER, else ledger.sqlite in the user\'s data folder)' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from show" -l json -d 'Write the result as JSON to standard output, and nothing else there'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from show" -s h -l help -d 'Print help'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from pass" -l kind -d 'What was done' -r -f -a "blow\t''
brush\t''
swab\t''"
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from pass" -l swab -d 'The swab, by the name of a supply: one is taken from the stock' -r
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from pass" -l fluid -d 'The fluid, by the name of a supply: two drops are taken from the stock' -r
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from pass" -l made -d 'When: 2031-04-02 or 2031-04-02T10:15:00, by the camera\'s clock (default: now)' -r
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from pass" -l note -d 'Anything else' -r
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from pass" -l ledger -d 'The ledger (default: MOTELIGHT_LEDGER, else ledger.sqlite in the user\'s data folder)' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from pass" -l json -d 'Write the result as JSON to standard output, and nothing else there'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from pass" -s h -l help -d 'Print help'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from body" -l name -d 'What you call it' -r
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from body" -l pictures -d 'Pictures taken since this was last told' -r
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from body" -l lens-changes -d 'Lens changes since this was last told' -r
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from body" -l quote -d 'What a workshop asks for a cleaning: "65.50 EUR"' -r
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from body" -l workshop -d 'The workshop' -r
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from body" -l ledger -d 'The ledger (default: MOTELIGHT_LEDGER, else ledger.sqlite in the user\'s data folder)' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from body" -l json -d 'Write the result as JSON to standard output, and nothing else there'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from body" -s h -l help -d 'Print help'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from supply" -l unit -d 'Pieces, ml' -r
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from supply" -l bought -d 'So many bought' -r
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from supply" -l paid -d 'What was paid for them: "31.00 EUR"' -r
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from supply" -l used -d 'So many used or lost' -r
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from supply" -l low -d 'Warn below this stock' -r
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from supply" -l ledger -d 'The ledger (default: MOTELIGHT_LEDGER, else ledger.sqlite in the user\'s data folder)' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from supply" -l json -d 'Write the result as JSON to standard output, and nothing else there'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from supply" -s h -l help -d 'Print help'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from shoot" -l from -d 'First day' -r
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from shoot" -l to -d 'Last day' -r
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from shoot" -l booked -d 'Largest f-number booked' -r
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from shoot" -l body -d 'A body that goes along; once per body' -r
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from shoot" -l note -d 'Anything else' -r
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from shoot" -l ledger -d 'The ledger (default: MOTELIGHT_LEDGER, else ledger.sqlite in the user\'s data folder)' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from shoot" -l json -d 'Write the result as JSON to standard output, and nothing else there'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from shoot" -s h -l help -d 'Print help'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from ready" -l shoot -d 'The shoot' -r
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from ready" -l ledger -d 'The ledger (default: MOTELIGHT_LEDGER, else ledger.sqlite in the user\'s data folder)' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from ready" -l json -d 'Write the result as JSON to standard output, and nothing else there'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from ready" -s h -l help -d 'Print help'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from pack" -l days -d 'Days of the trip' -r
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from pack" -l booked -d 'The f-number to judge for' -r
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from pack" -l ledger -d 'The ledger (default: MOTELIGHT_LEDGER, else ledger.sqlite in the user\'s data folder)' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from pack" -l json -d 'Write the result as JSON to standard output, and nothing else there'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from pack" -s h -l help -d 'Print help'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from deliveries" -l ledger -d 'The ledger (default: MOTELIGHT_LEDGER, else ledger.sqlite in the user\'s data folder)' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from deliveries" -l json -d 'Write the result as JSON to standard output, and nothing else there'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from deliveries" -s h -l help -d 'Print help'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from export" -l out -d 'The folder to write to' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from export" -l ledger -d 'The ledger (default: MOTELIGHT_LEDGER, else ledger.sqlite in the user\'s data folder)' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from export" -l json -d 'Write the result as JSON to standard output, and nothing else there'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from export" -s h -l help -d 'Print help'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from import" -l ledger -d 'The ledger (default: MOTELIGHT_LEDGER, else ledger.sqlite in the user\'s data folder)' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from import" -l json -d 'Write the result as JSON to standard output, and nothing else there'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from import" -s h -l help -d 'Print help'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from report" -l out -d 'The folder to write to' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from report" -l booked -d 'The f-number to judge for' -r
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from report" -l ledger -d 'The ledger (default: MOTELIGHT_LEDGER, else ledger.sqlite in the user\'s data folder)' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from report" -l json -d 'Write the result as JSON to standard output, and nothing else there'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from report" -s h -l help -d 'Print help'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from help" -f -a "list" -d 'List all bodies'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from help" -f -a "show" -d 'Tell a body\'s story: how clear it was, its passes, what arrives, how long it stays clear'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from help" -f -a "pass" -d 'Write a pass down'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from help" -f -a "body" -d 'Name a body; write its use and a workshop\'s quote down'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from help" -f -a "supply" -d 'Supplies: without a name the stock is listed'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from help" -f -a "shoot" -d 'Shoots: without a name all are listed'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from help" -f -a "ready" -d 'Whether every body of a shoot is ready, on one screen'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from help" -f -a "pack" -d 'Clean before the trip or not, and what to pack'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from help" -f -a "deliveries" -d 'What was mended and signed off'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from help" -f -a "export" -d 'Write everything out: one JSON document and one CSV file per table'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from help" -f -a "import" -d 'Take an export back, into a ledger that has nothing in it yet'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from help" -f -a "report" -d 'Write a page with every body\'s story and plots'
complete -c motelight -n "__fish_motelight_using_subcommand ledger; and __fish_seen_subcommand_from help" -f -a "help" -d 'Print this message or the help of the given subcommand(s)'
complete -c motelight -n "__fish_motelight_using_subcommand window" -l state -d 'Where the window writes its choices down (default: in the user\'s state folder)' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand window" -l ledger -d 'The ledger (default: MOTELIGHT_LEDGER, else ledger.sqlite in the user\'s data folder)' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand window" -l no-record -d 'Write nothing to the ledger'
complete -c motelight -n "__fish_motelight_using_subcommand window" -s h -l help -d 'Print help'
complete -c motelight -n "__fish_motelight_using_subcommand demo" -l sensor -d 'Sensor width and height in mm, for files that do not tell their pixel pitch: 36x24' -r
complete -c motelight -n "__fish_motelight_using_subcommand demo" -l ledger -d 'The ledger (default: MOTELIGHT_LEDGER, else ledger.sqlite in the user\'s data folder)' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand demo" -l out -d 'Folder for what is written: reports, mended copies' -r -F
complete -c motelight -n "__fish_motelight_using_subcommand demo" -l print -d 'Nothing may show in a print of this size: 60x40cm, 24x16in' -r
complete -c motelight -n "__fish_motelight_using_subcommand demo" -l distance -d 'Seen from this far: 90cm (default: the print\'s diagonal; 60 cm for a screen)' -r
complete -c motelight -n "__fish_motelight_using_subcommand demo" -l json -d 'Write the result as JSON to standard output, and nothing else there'
complete -c motelight -n "__fish_motelight_using_subcommand demo" -l no-record -d 'Write nothing to the ledger'
complete -c motelight -n "__fish_motelight_using_subcommand demo" -l screen -d 'Nothing may show at 100 % on a screen (default: both this and a 60x40cm print)'
complete -c motelight -n "__fish_motelight_using_subcommand demo" -s h -l help -d 'Print help'
complete -c motelight -n "__fish_motelight_using_subcommand help; and not __fish_seen_subcommand_from inspect recheck mend trace signoff merge rake ledger window demo help" -f -a "inspect" -d 'Judge test frames: what lies on the glass, from which f-number on it shows'
complete -c motelight -n "__fish_motelight_using_subcommand help; and not __fish_seen_subcommand_from inspect recheck mend trace signoff merge rake ledger window demo help" -f -a "recheck" -d 'Hold a second test frame against the first: what is gone, stayed, moved or new, and what to do next'
complete -c motelight -n "__fish_motelight_using_subcommand help; and not __fish_seen_subcommand_from inspect recheck mend trace signoff merge rake ledger window demo help" -f -a "mend" -d 'Take the shadows of a test frame\'s motes out of pictures by the same body'
complete -c motelight -n "__fish_motelight_using_subcommand help; and not __fish_seen_subcommand_from inspect recheck mend trace signoff merge rake ledger window demo help" -f -a "trace" -d 'Find the motes of a whole shoot in its pictures alone, and when each came'
complete -c motelight -n "__fish_motelight_using_subcommand help; and not __fish_seen_subcommand_from inspect recheck mend trace signoff merge rake ledger window demo help" -f -a "signoff" -d 'Look finished pictures over one last time, for the print or screen they are meant for'
complete -c motelight -n "__fish_motelight_using_subcommand help; and not __fish_seen_subcommand_from inspect recheck mend trace signoff merge rake ledger window demo help" -f -a "merge" -d 'Put together what several machines wrote, each for its part of the pictures (--part)'
complete -c motelight -n "__fish_motelight_using_subcommand help; and not __fish_seen_subcommand_from inspect recheck mend trace signoff merge rake ledger window demo help" -f -a "rake" -d 'Draw a picture as a raking view, its small differences raised, to check it by eye'
complete -c motelight -n "__fish_motelight_using_subcommand help; and not __fish_seen_subcommand_from inspect recheck mend trace signoff merge rake ledger window demo help" -f -a "ledger" -d 'What was recorded of bodies, test frames, passes and supplies, and what it is good for'
complete -c motelight -n "__fish_motelight_using_subcommand help; and not __fish_seen_subcommand_from inspect recheck mend trace signoff merge rake ledger window demo help" -f -a "window" -d 'Open the window: the whole job on screen'
complete -c motelight -n "__fish_motelight_using_subcommand help; and not __fish_seen_subcommand_from inspect recheck mend trace signoff merge rake ledger window demo help" -f -a "demo" -d 'Make a demo shoot and run the whole line on it'
complete -c motelight -n "__fish_motelight_using_subcommand help; and not __fish_seen_subcommand_from inspect recheck mend trace signoff merge rake ledger window demo help" -f -a "help" -d 'Print this message or the help of the given subcommand(s)'
complete -c motelight -n "__fish_motelight_using_subcommand help; and __fish_seen_subcommand_from ledger" -f -a "list" -d 'List all bodies'
complete -c motelight -n "__fish_motelight_using_subcommand help; and __fish_seen_subcommand_from ledger" -f -a "show" -d 'Tell a body\'s story: how clear it was, its passes, what arrives, how long it stays clear'
complete -c motelight -n "__fish_motelight_using_subcommand help; and __fish_seen_subcommand_from ledger" -f -a "pass" -d 'Write a pass down'
complete -c motelight -n "__fish_motelight_using_subcommand help; and __fish_seen_subcommand_from ledger" -f -a "body" -d 'Name a body; write its use and a workshop\'s quote down'
complete -c motelight -n "__fish_motelight_using_subcommand help; and __fish_seen_subcommand_from ledger" -f -a "supply" -d 'Supplies: without a name the stock is listed'
complete -c motelight -n "__fish_motelight_using_subcommand help; and __fish_seen_subcommand_from ledger" -f -a "shoot" -d 'Shoots: without a name all are listed'
complete -c motelight -n "__fish_motelight_using_subcommand help; and __fish_seen_subcommand_from ledger" -f -a "ready" -d 'Whether every body of a shoot is ready, on one screen'
complete -c motelight -n "__fish_motelight_using_subcommand help; and __fish_seen_subcommand_from ledger" -f -a "pack" -d 'Clean before the trip or not, and what to pack'
complete -c motelight -n "__fish_motelight_using_subcommand help; and __fish_seen_subcommand_from ledger" -f -a "deliveries" -d 'What was mended and signed off'
complete -c motelight -n "__fish_motelight_using_subcommand help; and __fish_seen_subcommand_from ledger" -f -a "export" -d 'Write everything out: one JSON document and one CSV file per table'
complete -c motelight -n "__fish_motelight_using_subcommand help; and __fish_seen_subcommand_from ledger" -f -a "import" -d 'Take an export back, into a ledger that has nothing in it yet'
complete -c motelight -n "__fish_motelight_using_subcommand help; and __fish_seen_subcommand_from ledger" -f -a "report" -d 'Write a page with every body\'s story and plots'
