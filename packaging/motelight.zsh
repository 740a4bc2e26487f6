#compdef motelight

autoload -U is-at-least

_motelight() {
    typeset -A opt_args
    typeset -a _arguments_options
    local ret=1

    if is-at-least 5.2; then
        _arguments_options=(-s -S -C)
    else
        _arguments_options=(-s -C)
    fi

    local context curcontext="$curcontext" state line
    _arguments "${_arguments_options[@]}" : \
'-h[Print help]' \
'--help[Print help]' \
'-V[Print version]' \
'--version[Print version]' \
":: :_motelight_commands" \
"*::: :->motelight" \
&& ret=0
    case $state in
    (motelight)
        words=($line[1] "${words[@]}")
        (( CURRENT += 1 ))
        curcontext="${curcontext%:*:*}:motelight-command-$line[1]:"
        case $line[1] in
            (inspect)
_arguments "${_arguments_options[@]}" : \
'--sensor=[Sensor width and height in mm, for files that do not tell their pixel pitch\: 36x24]:WxH:_default' \
'--ledger=[The ledger (default\: MOTELIGHT_LEDGER, else ledger.sqlite in the user'\''s data folder)]:FILE:_files' \
'--out=[Folder for what is written\: reports, mended copies]:DIR:_files' \
'--print=[Nothing may show in a print of this size\: 60x40cm, 24x16in]:SIZE:_default' \
'--distance=[Seen from this far\: 90cm (default\: the print'\''s diagonal; 60 cm for a screen)]:LENGTH:_default' \
'--json[Write the result as JSON to standard output, and nothing else there]' \
'--no-record[Write nothing to the ledger]' \
'--screen[Nothing may show at 100 % on a screen (default\: both this and a 60x40cm print)]' \
'-h[Print help]' \
'--help[Print help]' \
'*::pictures -- Test frames, or folders of them:_files' \
&& ret=0
;;
(recheck)
_arguments "${_arguments_options[@]}" : \
'*--pass=[A pass made between the two; once per pass, in their order]:KIND:(blow brush swab)' \
'--booked=[Largest f-number of the work booked\: f/11 (default\: assumed f/16)]:F:_default' \
'--sensor=[Sensor width and height in mm, for files that do not tell their pixel pitch\: 36x24]:WxH:_default' \
'--ledger=[The ledger (default\: MOTELIGHT_LEDGER, else ledger.sqlite in the user'\''s data folder)]:FILE:_files' \
'--out=[Folder for what is written\: reports, mended copies]:DIR:_files' \
'--print=[Nothing may show in a print of this size\: 60x40cm, 24x16in]:SIZE:_default' \
'--distance=[Seen from this far\: 90cm (default\: the print'\''s diagonal; 60 cm for a screen)]:LENGTH:_default' \
'--grit[Sand or other grit may be on the glass]' \
'--on-location[Not at a clean, still place]' \
'--battery-low[The battery is not full]' \
'--cold[The body is cold or misted]' \
'--manual-forbids[The manual or the warranty forbids cleaning, or leaves it in doubt]' \
'--json[Write the result as JSON to standard output, and nothing else there]' \
'--no-record[Write nothing to the ledger]' \
'--screen[Nothing may show at 100 % on a screen (default\: both this and a 60x40cm print)]' \
'-h[Print help]' \
'--help[Print help]' \
':before -- The test frame from before:_files' \
':after -- The test frame from after:_files' \
&& ret=0
;;
(mend)
_arguments "${_arguments_options[@]}" : \
'--test-frame=[The test frame by the same body, taken before or after the shoot]:WALL:_files' \
'(--test-frame)--trace=[Mend by the trace of the shoot instead of a test frame\: the document that \`motelight trace --json\` wrote, or, without a file, a trace made now of the pictures named]::TRACE:_files' \
'--originals=[The pictures are finished ones, cropped, straightened, toned or resized\: folder of the originals they were made from. Each is brought together with its own, and the shadows are taken out where they lie in it]:DIR:_files' \
'--masks=[Write a mask of what was changed for every picture, as 8-bit PNG (into DIR, or \`masks\` beside the copies)]::DIR:_files' \
'*--only=[Mend these motes or pictures and nothing else\: a mote'\''s number, a picture'\''s name, or PICTURE\:MOTE]:ID:_default' \
'*--skip=[Leave these motes or pictures as they are]:ID:_default' \
'*--mend=[Take these motes out even where a picture does not plainly show them]:ID:_default' \
'--part=[Mend only part K of N of the pictures, on one of N machines, into the same folder. With --json its document is for \`motelight merge\`. Writes nothing to the ledger]:K/N:_default' \
'--sensor=[Sensor width and height in mm, for files that do not tell their pixel pitch\: 36x24]:WxH:_default' \
'--ledger=[The ledger (default\: MOTELIGHT_LEDGER, else ledger.sqlite in the user'\''s data folder)]:FILE:_files' \
'--out=[Folder for what is written\: reports, mended copies]:DIR:_files' \
'--print=[Nothing may show in a print of this size\: 60x40cm, 24x16in]:SIZE:_default' \
'--distance=[Seen from this far\: 90cm (default\: the print'\''s diagonal; 60 cm for a screen)]:LENGTH:_default' \
'--dry-run[Say what would be done and write nothing]' \
'--gain-maps[Leave the sensor data of raws as they are and write the correction beside them, as gain maps of a DNG. Not proved\: no independent reader that applies them was at hand]' \
'--same-body[Pictures and test frame are of one body, whatever the files tell]' \
'(--test-frame --trace --originals --dry-run --masks --gain-maps --only --skip --mend --same-body --part)--undo[Turn mended copies back into their originals, by the records beside them]' \
'--json[Write the result as JSON to standard output, and nothing else there]' \
'--no-record[Write nothing to the ledger]' \
'--screen[Nothing may show at 100 % on a screen (default\: both this and a 60x40cm print)]' \
'-h[Print help]' \
'--help[Print help]' \
'*::pictures -- Pictures, or folders of them; originals are only read:_files' \
&& ret=0
;;
(trace)
_arguments "${_arguments_options[@]}" : \
'--test-frame=[A test frame by the same body\: its motes are looked for first, its glass height is taken where pictures do not tell it (default\: the newest one of the body in the ledger)]:WALL:_files' \
'(--json --test-frame)--watch=[Follow a growing folder (tethered camera, card being copied) and speak up when a new mote will show]:FOLDER:_files' \
'(--watch --json)--part=[Only read part K of N of the pictures, on one of N machines, into a part file below --out; \`motelight merge\` judges all parts as one run would]:K/N:_default' \
'--sensor=[Sensor width and height in mm, for files that do not tell their pixel pitch\: 36x24]:WxH:_default' \
'--ledger=[The ledger (default\: MOTELIGHT_LEDGER, else ledger.sqlite in the user'\''s data folder)]:FILE:_files' \
'--out=[Folder for what is written\: reports, mended copies]:DIR:_files' \
'--print=[Nothing may show in a print of this size\: 60x40cm, 24x16in]:SIZE:_default' \
'--distance=[Seen from this far\: 90cm (default\: the print'\''s diagonal; 60 cm for a screen)]:LENGTH:_default' \
'--json[Write the result as JSON to standard output, and nothing else there]' \
'--no-record[Write nothing to the ledger]' \
'--screen[Nothing may show at 100 % on a screen (default\: both this and a 60x40cm print)]' \
'-h[Print help]' \
'--help[Print help]' \
'*::pictures -- Pictures of a shoot, or folders of them, as the camera wrote them:_files' \
&& ret=0
;;
(signoff)
_arguments "${_arguments_options[@]}" : \
'--trace=[The trace of the shoot (what \`trace --json\` wrote)\: each of its motes is answered for]:TRACE.json:_files' \
'--test-frame=[A test frame by the body of the originals\: each of its motes that its original shows is answered for]:WALL:_files' \
'--originals=[Folder of the originals that the pictures were made from. With neither a trace nor a test frame, the ledger'\''s test frames of their bodies tell the motes]:DIR:_files' \
'(--out)--part=[Look over only part K of N of the pictures, on one of N machines. With --json its document is for \`motelight merge\`. Writes nothing to the ledger, and no pages]:K/N:_default' \
'--sensor=[Sensor width and height in mm, for files that do not tell their pixel pitch\: 36x24]:WxH:_default' \
'--ledger=[The ledger (default\: MOTELIGHT_LEDGER, else ledger.sqlite in the user'\''s data folder)]:FILE:_files' \
'--out=[Folder for what is written\: reports, mended copies]:DIR:_files' \
'--print=[Nothing may show in a print of this size\: 60x40cm, 24x16in]:SIZE:_default' \
'--distance=[Seen from this far\: 90cm (default\: the print'\''s diagonal; 60 cm for a screen)]:LENGTH:_default' \
'--json[Write the result as JSON to standard output, and nothing else there]' \
'--no-record[Write nothing to the ledger]' \
'--screen[Nothing may show at 100 % on a screen (default\: both this and a 60x40cm print)]' \
'-h[Print help]' \
'--help[Print help]' \
'*::pictures -- Finished pictures, or folders of them; they are only read:_files' \
&& ret=0
;;
(merge)
_arguments "${_arguments_options[@]}" : \
'--out=[Folder for the page of a trace]:DIR:_files' \
'-h[Print help]' \
'--help[Print help]' \
'*::parts -- All parts of one run with --part\: part files of `trace`, or documents of `mend --json` or `signoff --json`:_files' \
&& ret=0
;;
(rake)
_arguments "${_arguments_options[@]}" : \
'--out=[The PNG to write; an older raking view of that name is replaced, nothing else is]:FILE.png:_files' \
'--strength=[How strongly differences are raised\: one of 1 % moves the tone by this many % from mid-grey, 0.5 to 100]:NUMBER:_default' \
'--scale=[Differences narrower than this share of the picture'\''s long side are kept, 0.1% to 50%]:SHARE:_default' \
'--json[Write the result as JSON to standard output, and nothing else there]' \
'-h[Print help]' \
'--help[Print help]' \
':picture -- The picture; it is only read:_files' \
&& ret=0
;;
(ledger)
_arguments "${_arguments_options[@]}" : \
'--ledger=[The ledger (default\: MOTELIGHT_LEDGER, else ledger.sqlite in the user'\''s data folder)]:FILE:_files' \
'--json[Write the result as JSON to standard output, and nothing else there]' \
'-h[Print help]' \
'--help[Print help]' \
":: :_motelight__subcmd__ledger_commands" \
"*::: :->ledger" \
&& ret=0

    case $state in
    (ledger)
        words=($line[1] "${words[@]}")
        (( CURRENT += 1 ))
        curcontext="${curcontext%:*:*}:motelight-ledger-command-$line[1]:"
        case $line[1] in
            (list)
_arguments "${_arguments_options[@]}" : \
'--ledger=[The ledger (default\: MOTELIGHT_LEDGER, else ledger.sqlite in the user'\''s data folder)]:FILE:_files' \
'--json[Write the result as JSON to standard output, and nothing else there]' \
'-h[Print help]' \
'--help[Print help]' \
&& ret=0
;;
(show)
_arguments "${_arguments_options[@]}" : \
'--booked=[The f-number to judge for]:F:_default' \
'--ledger=[The ledger (default\: MOTELIGHT_LEDGER, else ledger.sqlite in the user'\''s data folder)]:FILE:_files' \
'--json[Write the result as JSON to standard output, and nothing else there]' \
'-h[Print help]' \
'--help[Print help]' \
':body -- By name, serial number, number in the list or model:_default' \
&& ret=0
;;
(pass)
_arguments "${_arguments_options[@]}" : \
'--kind=[What was done]:KIND:(blow brush swab)' \
'--swab=[The swab, by the name of a supply\: one is taken from the stock]:SWAB:_default' \
'--fluid=[The fluid, by the name of a supply\: two drops are taken from the stock]:FLUID:_default' \
'--made=[When\: 2031-04-02 or 2031-04-02T10\:15\:00, by the camera'\''s clock (default\: now)]:MADE:_default' \
'--note=[Anything else]:NOTE:_default' \
'--ledger=[The ledger (default\: MOTELIGHT_LEDGER, else ledger.sqlite in the user'\''s data folder)]:FILE:_files' \
'--json[Write the result as JSON to standard output, and nothing else there]' \
'-h[Print help]' \
'--help[Print help]' \
':body -- The body:_default' \
&& ret=0
;;
(body)
_arguments "${_arguments_options[@]}" : \
'--name=[What you call it]:NAME:_default' \
'--pictures=[Pictures taken since this was last told]:PICTURES:_default' \
'--lens-changes=[Lens changes since this was last told]:LENS_CHANGES:_default' \
'--quote=[What a workshop asks for a cleaning\: "65.50 EUR"]:QUOTE:_default' \
'--workshop=[The workshop]:WORKSHOP:_default' \
'--ledger=[The ledger (default\: MOTELIGHT_LEDGER, else ledger.sqlite in the user'\''s data folder)]:FILE:_files' \
'--json[Write the result as JSON to standard output, and nothing else there]' \
'-h[Print help]' \
'--help[Print help]' \
':body -- The body:_default' \
&& ret=0
;;
(supply)
_arguments "${_arguments_options[@]}" : \
'--unit=[Pieces, ml]:UNIT:_default' \
'--bought=[So many bought]:BOUGHT:_default' \
'--paid=[What was paid for them\: "31.00 EUR"]:PAID:_default' \
'--used=[So many used or lost]:USED:_default' \
'--low=[Warn below this stock]:LOW:_default' \
'--ledger=[The ledger (default\: MOTELIGHT_LEDGER, else ledger.sqlite in the user'\''s data folder)]:FILE:_files' \
'--json[Write the result as JSON to standard output, and nothing else there]' \
'-h[Print help]' \
'--help[Print help]' \
'::name -- The supply:_default' \
&& ret=0
;;
(shoot)
_arguments "${_arguments_options[@]}" : \
'--from=[First day]:FROM:_default' \
'--to=[Last day]:TO:_default' \
'--booked=[Largest f-number booked]:F:_default' \
'*--body=[A body that goes along; once per body]:BODIES:_default' \
'--note=[Anything else]:NOTE:_default' \
'--ledger=[The ledger (default\: MOTELIGHT_LEDGER, else ledger.sqlite in the user'\''s data folder)]:FILE:_files' \
'--json[Write the result as JSON to standard output, and nothing else there]' \
'-h[Print help]' \
'--help[Print help]' \
'::name -- The shoot:_default' \
&& ret=0
;;
(ready)
_arguments "${_arguments_options[@]}" : \
'--shoot=[The shoot]:SHOOT:_default' \
'--ledger=[The ledger (default\: MOTELIGHT_LEDGER, else ledger.sqlite in the user'\''s data folder)]:FILE:_files' \
'--json[Write the result as JSON to standard output, and nothing else there]' \
'-h[Print help]' \
'--help[Print help]' \
&& ret=0
;;
(pack)
_arguments "${_arguments_options[@]}" : \
'--days=[Days of the trip]:DAYS:_default' \
'--booked=[The f-number to judge for]:F:_default' \
'--ledger=[The ledger (default\: MOTELIGHT_LEDGER, else ledger.sqlite in the user'\''s data folder)]:FILE:_files' \
'--json[Write the result as JSON to standard output, and nothing else there]' \
'-h[Print help]' \
'--help[Print help]' \
':body -- The body:_default' \
&& ret=0
;;
(deliveries)
_arguments "${_arguments_options[@]}" : \
'--ledger=[The ledger (default\: MOTELIGHT_LEDGER, else ledger.sqlite in the user'\''s data folder)]:FILE:_files' \
'--json[Write the result as JSON to standard output, and nothing else there]' \
'-h[Print help]' \
'--help[Print help]' \
&& ret=0
;;
(export)
_arguments "${_arguments_options[@]}" : \
'--out=[The folder to write to]:OUT:_files' \
'--ledger=[The ledger (default\: MOTELIGHT_LEDGER, else ledger.sqlite in the user'\''s data folder)]:FILE:_files' \
'--json[Write the result as JSON to standard output, and nothing else there]' \
'-h[Print help]' \
'--help[Print help]' \
&& ret=0
;;
(import)
_arguments "${_arguments_options[@]}" : \
'--ledger=[The ledger (default\: MOTELIGHT_LEDGER, else ledger.sqlite in the user'\''s data folder)]:FILE:_files' \
'--json[Write the result as JSON to standard output, and nothing else there]' \
'-h[Print help]' \
'--help[Print help]' \
':from -- The JSON document, or the folder of CSV files:_files' \
&& ret=0
;;
(report)
_arguments "${_arguments_options[@]}" : \
'--out=[The folder to write to]:OUT:_files' \
'--booked=[The f-number to judge for]:F:_default' \
'--ledger=[The ledger (default\: MOTELIGHT_LEDGER, else ledger.sqlite in the user'\''s data folder)]:FILE:_files' \
'--json[Write the result as JSON to standard output, and nothing else there]' \
'-h[Print help]' \
'--help[Print help]' \
&& ret=0
;;
(help)
_arguments "${_arguments_options[@]}" : \
":: :_motelight__subcmd__ledger__subcmd__help_commands" \
"*::: :->help" \
&& ret=0

    case $state in
    (help)
        words=($line[1] "${words[@]}")
        (( CURRENT += 1 ))
        curcontext="${curcontext%:*:*}:motelight-ledger-help-command-$line[1]:"
        case $line[1] in
            (list)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(show)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(pass)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(body)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(supply)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(shoot)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(ready)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(pack)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(deliveries)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(export)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(import)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(report)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(help)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
        esac
    ;;
esac
;;
        esac
    ;;
esac
;;
(window)
_arguments "${_arguments_options[@]}" : \
'--state=[Where the window writes its choices down (default\: in the user'\''s state folder)]:FILE:_files' \
'(--no-record)--ledger=[The ledger (default\: MOTELIGHT_LEDGER, else ledger.sqlite in the user'\''s data folder)]:FILE:_files' \
'--no-record[Write nothing to the ledger]' \
'-h[Print help]' \
'--help[Print help]' \
'*::open -- A test frame or the folder of a shoot to begin with:_files' \
&& ret=0
;;
(demo)
_arguments "${_arguments_options[@]}" : \
'--sensor=[Sensor width and height in mm, for files that do not tell their pixel pitch\: 36x24]:WxH:_default' \
'--ledger=[The ledger (default\: MOTELIGHT_LEDGER, else ledger.sqlite in the user'\''s data folder)]:FILE:_files' \
'--out=[Folder for what is written\: reports, mended copies]:DIR:_files' \
'--print=[Nothing may show in a print of this size\: 60x40cm, 24x16in]:SIZE:_default' \
'--distance=[Seen from this far\: 90cm (default\: the print'\''s diagonal; 60 cm for a screen)]:LENGTH:_default' \
'--json[Write the result as JSON to standard output, and nothing else there]' \
'--no-record[Write nothing to the ledger]' \
'--screen[Nothing may show at 100 % on a screen (default\: both this and a 60x40cm print)]' \
'-h[Print help]' \
'--help[Print help]' \
&& ret=0
;;
(help)
_arguments "${_arguments_options[@]}" : \
":: :_motelight__subcmd__help_commands" \
"*::: :->help" \
&& ret=0

    case $state in
    (help)
        words=($line[1] "${words[@]}")
        (( CURRENT += 1 ))
        curcontext="${curcontext%:*:*}:motelight-help-command-$line[1]:"
        case $line[1] in
            (inspect)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(recheck)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(mend)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(trace)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(signoff)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(merge)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(rake)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(ledger)
_arguments "${_arguments_options[@]}" : \
":: :_motelight__subcmd__help__subcmd__ledger_commands" \
"*::: :->ledger" \
&& ret=0

    case $state in
    (ledger)
        words=($line[1] "${words[@]}")
        (( CURRENT += 1 ))
        curcontext="${curcontext%:*:*}:motelight-help-ledger-command-$line[1]:"
        case $line[1] in
            (list)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(show)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(pass)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(body)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(supply)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(shoot)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(ready)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(pack)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(deliveries)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(export)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(import)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(report)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
        esac
    ;;
esac
;;
(window)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(demo)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
(help)
_arguments "${_arguments_options[@]}" : \
&& ret=0
;;
        esac
    ;;
esac
;;
        esac
    ;;
esac
}

(( $+functions[_motelight_commands] )) ||
_motelight_commands() {
    local commands; commands=(
'inspect:Judge test frames\: what lies on the glass, from which f-number on it shows' \
'recheck:Hold a second test frame against the first\: what is gone, stayed, moved or new, and what to do next' \
'mend:Take the shadows of a test frame'\''s motes out of pictures by the same body' \
'trace:Find the motes of a whole shoot in its pictures alone, and when each came' \
'signoff:Look finished pictures over one last time, for the print or screen they are meant for' \
'merge:Put together what several machines wrote, each for its part of the pictures (--part)' \
'rake:Draw a picture as a raking view, its small differences raised, to check it by eye' \
'ledger:What was recorded of bodies, test frames, passes and supplies, and what it is good for' \
'window:Open the window\: the whole job on screen' \
'demo:Make a demo shoot and run the whole line on it' \
'help:Print this message or the help of the given subcommand(s)' \
    )
    _describe -t commands 'motelight commands' commands "$@"
}
(( $+functions[_motelight__subcmd__demo_commands] )) ||
_motelight__subcmd__demo_commands() {
    local commands; commands=()
    _describe -t commands 'motelight demo commands' commands "$@"
}
(( $+functions[_motelight__subcmd__help_commands] )) ||
_motelight__subcmd__help_commands() {
    local commands; commands=(
'inspect:Judge test frames\: what lies on the glass, from which f-number on it shows' \
'recheck:Hold a second test frame against the first\: what is gone, stayed, moved or new, and what to do next' \
'mend:Take the shadows of a test frame'\''s motes out of pictures by the same body' \
'trace:Find the motes of a whole shoot in its pictures alone, and when each came' \
'signoff:Look finished pictures over one last time, for the print or screen they are meant for' \
'merge:Put together what several machines wrote, each for its part of the pictures (--part)' \
'rake:Draw a picture as a raking view, its small differences raised, to check it by eye' \
'ledger:What was recorded of bodies, test frames, passes and supplies, and what it is good for' \
'window:Open the window\: the whole job on screen' \
'demo:Make a demo shoot and run the whole line on it' \
'help:Print this message or the help of the given subcommand(s)' \
    )
    _describe -t commands 'motelight help commands' commands "$@"
}
(( $+functions[_motelight__subcmd__help__subcmd__demo_commands] )) ||
_motelight__subcmd__help__subcmd__demo_commands() {
    local commands; commands=()
    _describe -t commands 'motelight help demo commands' commands "$@"
}
(( $+functions[_motelight__subcmd__help__subcmd__help_commands] )) ||
_motelight__subcmd__help__subcmd__help_commands() {
    local commands; commands=()
    _describe -t commands 'motelight help help commands' commands "$@"
}
(( $+functions[_motelight__subcmd__help__subcmd__inspect_commands] )) ||
_motelight__subcmd__help__subcmd__inspect_commands() {
    local commands; commands=()
    _describe -t commands 'motelight help inspect commands' commands "$@"
}
(( $+functions[_motelight__subcmd__help__subcmd__ledger_commands] )) ||
_motelight__subcmd__help__subcmd__ledger_commands() {
    local commands; commands=(
'list:List all bodies' \
'show:Tell a body'\''s story\: how clear it was, its passes, what arrives, how long it stays clear' \
'pass:Write a pass down' \
'body:Name a body; write its use and a workshop'\''s quote down' \
'supply:Supplies\: without a name the stock is listed' \
'shoot:Shoots\: without a name all are listed' \
'ready:Whether every body of a shoot is ready, on one screen' \
'pack:Clean before the trip or not, and what to pack' \
'deliveries:What was mended and signed off' \
'export:Write everything out\: one JSON document and one CSV file per table' \
'import:Take an export back, into a ledger that has nothing in it yet' \
'report:Write a page with every body'\''s story and plots' \
    )
    _describe -t commands 'motelight help ledger commands' commands "$@"
}
(( $+functions[_motelight__subcmd__help__subcmd__ledger__subcmd__body_commands] )) ||
_motelight__subcmd__help__subcmd__ledger__subcmd__body_commands() {
    local commands; commands=()
    _describe -t commands 'motelight help ledger body commands' commands "$@"
}
(( $+functions[_motelight__subcmd__help__subcmd__ledger__subcmd__deliveries_commands] )) ||
_motelight__subcmd__help__subcmd__ledger__subcmd__deliveries_commands() {
    local commands; commands=()
    _describe -t commands 'motelight help ledger deliveries commands' commands "$@"
}
(( $+functions[_motelight__subcmd__help__subcmd__ledger__subcmd__export_commands] )) ||
_motelight__subcmd__help__subcmd__ledger__subcmd__export_commands() {
    local commands; commands=()
    _describe -t commands 'motelight help ledger export commands' commands "$@"
}
(( $+functions[_motelight__subcmd__help__subcmd__ledger__subcmd__import_commands] )) ||
_motelight__subcmd__help__subcmd__ledger__subcmd__import_commands() {
    local commands; commands=()
    _describe -t commands 'motelight help ledger import commands' commands "$@"
}
(( $+functions[_motelight__subcmd__help__subcmd__ledger__subcmd__list_commands] )) ||
_motelight__subcmd__help__subcmd__ledger__subcmd__list_commands() {
    local commands; commands=()
    _describe -t commands 'motelight help ledger list commands' commands "$@"
}
(( $+functions[_motelight__subcmd__help__subcmd__ledger__subcmd__pack_commands] )) ||
_motelight__subcmd__help__subcmd__ledger__subcmd__pack_commands() {
    local commands; commands=()
    _describe -t commands 'motelight help ledger pack commands' commands "$@"
}
(( $+functions[_motelight__subcmd__help__subcmd__ledger__subcmd__pass_commands] )) ||
_motelight__subcmd__help__subcmd__ledger__subcmd__pass_commands() {
    local commands; commands=()
    _describe -t commands 'motelight help ledger pass commands' commands "$@"
}
(( $+functions[_motelight__subcmd__help__subcmd__ledger__subcmd__ready_commands] )) ||
_motelight__subcmd__help__subcmd__ledger__subcmd__ready_commands() {
    local commands; commands=()
    _describe -t commands 'motelight help ledger ready commands' commands "$@"
}
(( $+functions[_motelight__subcmd__help__subcmd__ledger__subcmd__report_commands] )) ||
_motelight__subcmd__help__subcmd__ledger__subcmd__report_commands() {
    local commands; commands=()
    _describe -t commands 'motelight help ledger report commands' commands "$@"
}
(( $+functions[_motelight__subcmd__help__subcmd__ledger__subcmd__shoot_commands] )) ||
_motelight__subcmd__help__subcmd__ledger__subcmd__shoot_commands() {
    local commands; commands=()
    _describe -t commands 'motelight help ledger shoot commands' commands "$@"
}
(( $+functions[_motelight__subcmd__help__subcmd__ledger__subcmd__show_commands] )) ||
_motelight__subcmd__help__subcmd__ledger__subcmd__show_commands() {
    local commands; commands=()
    _describe -t commands 'motelight help ledger show commands' commands "$@"
}
(( $+functions[_motelight__subcmd__help__subcmd__ledger__subcmd__supply_commands] )) ||
_motelight__subcmd__help__subcmd__ledger__subcmd__supply_commands() {
    local commands; commands=()
    _describe -t commands 'motelight help ledger supply commands' commands "$@"
}
(( $+functions[_motelight__subcmd__help__subcmd__mend_commands] )) ||
_motelight__subcmd__help__subcmd__mend_commands() {
    local commands; commands=()
    _describe -t commands 'motelight help mend commands' commands "$@"
}
(( $+functions[_motelight__subcmd__help__subcmd__merge_commands] )) ||
_motelight__subcmd__help__subcmd__merge_commands() {
    local commands; commands=()
    _describe -t commands 'motelight help merge commands' commands "$@"
}
(( $+functions[_motelight__subcmd__help__subcmd__rake_commands] )) ||
_motelight__subcmd__help__subcmd__rake_commands() {
    local commands; commands=()
    _describe -t commands 'motelight help rake commands' commands "$@"
}
(( $+functions[_motelight__subcmd__help__subcmd__recheck_commands] )) ||
_motelight__subcmd__help__subcmd__recheck_commands() {
    local commands; commands=()
    _describe -t commands 'motelight help recheck commands' commands "$@"
}
(( $+functions[_motelight__subcmd__help__subcmd__signoff_commands] )) ||
_motelight__subcmd__help__subcmd__signoff_commands() {
    local commands; commands=()
    _describe -t commands 'motelight help signoff commands' commands "$@"
}
(( $+functions[_motelight__subcmd__help__subcmd__trace_commands] )) ||
_motelight__subcmd__help__subcmd__trace_commands() {
    local commands; commands=()
    _describe -t commands 'motelight help trace commands' commands "$@"
}
(( $+functions[_motelight__subcmd__help__subcmd__window_commands] )) ||
_motelight__subcmd__help__subcmd__window_commands() {
    local commands; commands=()
    _describe -t commands 'motelight help window commands' commands "$@"
}
(( $+functions[_motelight__subcmd__inspect_commands] )) ||
_motelight__subcmd__inspect_commands() {
    local commands; commands=()
    _describe -t commands 'motelight inspect commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger_commands] )) ||
_motelight__subcmd__ledger_commands() {
    local commands; commands=(
'list:List all bodies' \
'show:Tell a body'\''s story\: how clear it was, its passes, what arrives, how long it stays clear' \
'pass:Write a pass down' \
'body:Name a body; write its use and a workshop'\''s quote down' \
'supply:Supplies\: without a name the stock is listed' \
'shoot:Shoots\: without a name all are listed' \
'ready:Whether every body of a shoot is ready, on one screen' \
'pack:Clean before the trip or not, and what to pack' \
'deliveries:What was mended and signed off' \
'export:Write everything out\: one JSON document and one CSV file per table' \
'import:Take an export back, into a ledger that has nothing in it yet' \
'report:Write a page with every body'\''s story and plots' \
'help:Print this message or the help of the given subcommand(s)' \
    )
    _describe -t commands 'motelight ledger commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__body_commands] )) ||
_motelight__subcmd__ledger__subcmd__body_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger body commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__deliveries_commands] )) ||
_motelight__subcmd__ledger__subcmd__deliveries_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger deliveries commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__export_commands] )) ||
_motelight__subcmd__ledger__subcmd__export_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger export commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__help_commands] )) ||
_motelight__subcmd__ledger__subcmd__help_commands() {
    local commands; commands=(
'list:List all bodies' \
'show:Tell a body'\''s story\: how clear it was, its passes, what arrives, how long it stays clear' \
'pass:Write a pass down' \
'body:Name a body; write its use and a workshop'\''s quote down' \
'supply:Supplies\: without a name the stock is listed' \
'shoot:Shoots\: without a name all are listed' \
'ready:Whether every body of a shoot is ready, on one screen' \
'pack:Clean before the trip or not, and what to pack' \
'deliveries:What was mended and signed off' \
'export:Write everything out\: one JSON document and one CSV file per table' \
'import:Take an export back, into a ledger that has nothing in it yet' \
'report:Write a page with every body'\''s story and plots' \
'help:Print this message or the help of the given subcommand(s)' \
    )
    _describe -t commands 'motelight ledger help commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__help__subcmd__body_commands] )) ||
_motelight__subcmd__ledger__subcmd__help__subcmd__body_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger help body commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__help__subcmd__deliveries_commands] )) ||
_motelight__subcmd__ledger__subcmd__help__subcmd__deliveries_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger help deliveries commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__help__subcmd__export_commands] )) ||
_motelight__subcmd__ledger__subcmd__help__subcmd__export_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger help export commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__help__subcmd__help_commands] )) ||
_motelight__subcmd__ledger__subcmd__help__subcmd__help_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger help help commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__help__subcmd__import_commands] )) ||
_motelight__subcmd__ledger__subcmd__help__subcmd__import_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger help import commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__help__subcmd__list_commands] )) ||
_motelight__subcmd__ledger__subcmd__help__subcmd__list_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger help list commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__help__subcmd__pack_commands] )) ||
_motelight__subcmd__ledger__subcmd__help__subcmd__pack_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger help pack commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__help__subcmd__pass_commands] )) ||
_motelight__subcmd__ledger__subcmd__help__subcmd__pass_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger help pass commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__help__subcmd__ready_commands] )) ||
_motelight__subcmd__ledger__subcmd__help__subcmd__ready_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger help ready commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__help__subcmd__report_commands] )) ||
_motelight__subcmd__ledger__subcmd__help__subcmd__report_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger help report commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__help__subcmd__shoot_commands] )) ||
_motelight__subcmd__ledger__subcmd__help__subcmd__shoot_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger help shoot commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__help__subcmd__show_commands] )) ||
_motelight__subcmd__ledger__subcmd__help__subcmd__show_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger help show commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__help__subcmd__supply_commands] )) ||
_motelight__subcmd__ledger__subcmd__help__subcmd__supply_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger help supply commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__import_commands] )) ||
_motelight__subcmd__ledger__subcmd__import_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger import commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__list_commands] )) ||
_motelight__subcmd__ledger__subcmd__list_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger list commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__pack_commands] )) ||
_motelight__subcmd__ledger__subcmd__pack_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger pack commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__pass_commands] )) ||
_motelight__subcmd__ledger__subcmd__pass_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger pass commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__ready_commands] )) ||
_motelight__subcmd__ledger__subcmd__ready_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger ready commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__report_commands] )) ||
_motelight__subcmd__ledger__subcmd__report_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger report commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__shoot_commands] )) ||
_motelight__subcmd__ledger__subcmd__shoot_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger shoot commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__show_commands] )) ||
_motelight__subcmd__ledger__subcmd__show_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger show commands' commands "$@"
}
(( $+functions[_motelight__subcmd__ledger__subcmd__supply_commands] )) ||
_motelight__subcmd__ledger__subcmd__supply_commands() {
    local commands; commands=()
    _describe -t commands 'motelight ledger supply commands' commands "$@"
}
(( $+functions[_motelight__subcmd__mend_commands] )) ||
_motelight__subcmd__mend_commands() {
    local commands; commands=()
    _describe -t commands 'motelight mend commands' commands "$@"
}
(( $+functions[_motelight__subcmd__merge_commands] )) ||
_motelight__subcmd__merge_commands() {
    local commands; commands=()
    _describe -t commands 'motelight merge commands' commands "$@"
}
(( $+functions[_motelight__subcmd__rake_commands] )) ||
_motelight__subcmd__rake_commands() {
    local commands; commands=()
    _describe -t commands 'motelight rake commands' commands "$@"
}
(( $+functions[_motelight__subcmd__recheck_commands] )) ||
_motelight__subcmd__recheck_commands() {
    local commands; commands=()
    _describe -t commands 'motelight recheck commands' commands "$@"
}
(( $+functions[_motelight__subcmd__signoff_commands] )) ||
_motelight__subcmd__signoff_commands() {
    local commands; commands=()
    _describe -t commands 'motelight signoff commands' commands "$@"
}
(( $+functions[_motelight__subcmd__trace_commands] )) ||
_motelight__subcmd__trace_commands() {
    local commands; commands=()
    _describe -t commands 'motelight trace commands' commands "$@"
}
(( $+functions[_motelight__subcmd__window_commands] )) ||
_motelight__subcmd__window_commands() {
    local commands; commands=()
    _describe -t commands 'motelight window commands' commands "$@"
}

if [ "$funcstack[1]" = "_motelight" ]; then
    _motelight "$@"
else
    compdef _motelight motelight
fi
