_motelight() {
    local i cur prev opts cmd
    COMPREPLY=()
    if [[ "${BASH_VERSINFO[0]}" -ge 4 ]]; then
        cur="$2"
    else
        cur="${COMP_WORDS[COMP_CWORD]}"
    fi
    prev="$3"
    cmd=""
    opts=""

    for i in "${COMP_WORDS[@]:0:COMP_CWORD}"
    do
        case "${cmd},${i}" in
            ",$1")
                cmd="motelight"
                ;;
            motelight,demo)
                cmd="motelight__subcmd__demo"
                ;;
            motelight,help)
                cmd="motelight__subcmd__help"
                ;;
            motelight,inspect)
                cmd="motelight__subcmd__inspect"
                ;;
            motelight,ledger)
                cmd="motelight__subcmd__ledger"
                ;;
            motelight,mend)
                cmd="motelight__subcmd__mend"
                ;;
            motelight,merge)
                cmd="motelight__subcmd__merge"
                ;;
            motelight,rake)
                cmd="motelight__subcmd__rake"
                ;;
            motelight,recheck)
                cmd="motelight__subcmd__recheck"
                ;;
            motelight,signoff)
                cmd="motelight__subcmd__signoff"
                ;;
            motelight,trace)
                cmd="motelight__subcmd__trace"
                ;;
            motelight,window)
                cmd="motelight__subcmd__window"
                ;;
            motelight__subcmd__help,demo)
                cmd="motelight__subcmd__help__subcmd__demo"
                ;;
            motelight__subcmd__help,help)
                cmd="motelight__subcmd__help__subcmd__help"
                ;;
            motelight__subcmd__help,inspect)
                cmd="motelight__subcmd__help__subcmd__inspect"
                ;;
            motelight__subcmd__help,ledger)
                cmd="motelight__subcmd__help__subcmd__ledger"
                ;;
            motelight__subcmd__help,mend)
                cmd="motelight__subcmd__help__subcmd__mend"
                ;;
            motelight__subcmd__help,merge)
                cmd="motelight__subcmd__help__subcmd__merge"
                ;;
            motelight__subcmd__help,rake)
                cmd="motelight__subcmd__help__subcmd__rake"
                ;;
            motelight__subcmd__help,recheck)
                cmd="motelight__subcmd__help__subcmd__recheck"
                ;;
            motelight__subcmd__help,signoff)
                cmd="motelight__subcmd__help__subcmd__signoff"
                ;;
            motelight__subcmd__help,trace)
                cmd="motelight__subcmd__help__subcmd__trace"
                ;;
            motelight__subcmd__help,window)
                cmd="motelight__subcmd__help__subcmd__window"
                ;;
            motelight__subcmd__help__subcmd__ledger,body)
                cmd="motelight__subcmd__help__subcmd__ledger__subcmd__body"
                ;;
            motelight__subcmd__help__subcmd__ledger,deliveries)
                cmd="motelight__subcmd__help__subcmd__ledger__subcmd__deliveries"
                ;;
            motelight__subcmd__help__subcmd__ledger,export)
                cmd="motelight__subcmd__help__subcmd__ledger__subcmd__export"
                ;;
            motelight__subcmd__help__subcmd__ledger,import)
                cmd="motelight__subcmd__help__subcmd__ledger__subcmd__import"
                ;;
            motelight__subcmd__help__subcmd__ledger,list)
                cmd="motelight__subcmd__help__subcmd__ledger__subcmd__list"
                ;;
            motelight__subcmd__help__subcmd__ledger,pack)
                cmd="motelight__subcmd__help__subcmd__ledger__subcmd__pack"
                ;;
            motelight__subcmd__help__subcmd__ledger,pass)
                cmd="motelight__subcmd__help__subcmd__ledger__subcmd__pass"
                ;;
            motelight__subcmd__help__subcmd__ledger,ready)
                cmd="motelight__subcmd__help__subcmd__ledger__subcmd__ready"
                ;;
            motelight__subcmd__help__subcmd__ledger,report)
                cmd="motelight__subcmd__help__subcmd__ledger__subcmd__report"
                ;;
            motelight__subcmd__help__subcmd__ledger,shoot)
                cmd="motelight__subcmd__help__subcmd__ledger__subcmd__shoot"
                ;;
            motelight__subcmd__help__subcmd__ledger,show)
                cmd="motelight__subcmd__help__subcmd__ledger__subcmd__show"
                ;;
            motelight__subcmd__help__subcmd__ledger,supply)
                cmd="motelight__subcmd__help__subcmd__ledger__subcmd__supply"
                ;;
            motelight__subcmd__ledger,body)
                cmd="motelight__subcmd__ledger__subcmd__body"
                ;;
            motelight__subcmd__ledger,deliveries)
                cmd="motelight__subcmd__ledger__subcmd__deliveries"
                ;;
            motelight__subcmd__ledger,export)
                cmd="motelight__subcmd__ledger__subcmd__export"
                ;;
            motelight__subcmd__ledger,help)
                cmd="motelight__subcmd__ledger__subcmd__help"
                ;;
            motelight__subcmd__ledger,import)
                cmd="motelight__subcmd__ledger__subcmd__import"
                ;;
            motelight__subcmd__ledger,list)
                cmd="motelight__subcmd__ledger__subcmd__list"
                ;;
            motelight__subcmd__ledger,pack)
                cmd="motelight__subcmd__ledger__subcmd__pack"
                ;;
            motelight__subcmd__ledger,pass)
                cmd="motelight__subcmd__ledger__subcmd__pass"
                ;;
            motelight__subcmd__ledger,ready)
                cmd="motelight__subcmd__ledger__subcmd__ready"
                ;;
            motelight__subcmd__ledger,report)
                cmd="motelight__subcmd__ledger__subcmd__report"
                ;;
            motelight__subcmd__ledger,shoot)
                cmd="motelight__subcmd__ledger__subcmd__shoot"
                ;;
            motelight__subcmd__ledger,show)
                cmd="motelight__subcmd__ledger__subcmd__show"
                ;;
            motelight__subcmd__ledger,supply)
                cmd="motelight__subcmd__ledger__subcmd__supply"
                ;;
            motelight__subcmd__ledger__subcmd__help,body)
                cmd="motelight__subcmd__ledger__subcmd__help__subcmd__body"
                ;;
            motelight__subcmd__ledger__subcmd__help,deliveries)
                cmd="motelight__subcmd__ledger__subcmd__help__subcmd__deliveries"
                ;;
            motelight__subcmd__ledger__subcmd__help,export)
                cmd="motelight__subcmd__ledger__subcmd__help__subcmd__export"
                ;;
            motelight__subcmd__ledger__subcmd__help,help)
                cmd="motelight__subcmd__ledger__subcmd__help__subcmd__help"
                ;;
            motelight__subcmd__ledger__subcmd__help,import)
                cmd="motelight__subcmd__ledger__subcmd__help__subcmd__import"
                ;;
            motelight__subcmd__ledger__subcmd__help,list)
                cmd="motelight__subcmd__ledger__subcmd__help__subcmd__list"
                ;;
            motelight__subcmd__ledger__subcmd__help,pack)
                cmd="motelight__subcmd__ledger__subcmd__help__subcmd__pack"
                ;;
            motelight__subcmd__ledger__subcmd__help,pass)
                cmd="motelight__subcmd__ledger__subcmd__help__subcmd__pass"
                ;;
            motelight__subcmd__ledger__subcmd__help,ready)
                cmd="motelight__subcmd__ledger__subcmd__help__subcmd__ready"
                ;;
            motelight__subcmd__ledger__subcmd__help,report)
                cmd="motelight__subcmd__ledger__subcmd__help__subcmd__report"
                ;;
            motelight__subcmd__ledger__subcmd__help,shoot)
                cmd="motelight__subcmd__ledger__subcmd__help__subcmd__shoot"
                ;;
            motelight__subcmd__ledger__subcmd__help,show)
                cmd="motelight__subcmd__ledger__subcmd__help__subcmd__show"
                ;;
            motelight__subcmd__ledger__subcmd__help,supply)
                cmd="motelight__subcmd__ledger__subcmd__help__subcmd__supply"
                ;;
            *)
                ;;
        esac
    done

    case "${cmd}" in
        motelight)
            opts="-h -V --help --version inspect recheck mend trace signoff merge rake ledger window demo help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 1 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__demo)
            opts="-h --json --sensor --no-record --ledger --out --print --distance --screen --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 2 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --sensor)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --ledger)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --out)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --print)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --distance)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__help)
            opts="inspect recheck mend trace signoff merge rake ledger window demo help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 2 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__help__subcmd__demo)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__help__subcmd__help)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__help__subcmd__inspect)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__help__subcmd__ledger)
            opts="list show pass body supply shoot ready pack deliveries export import report"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__help__subcmd__ledger__subcmd__body)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__help__subcmd__ledger__subcmd__deliveries)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__help__subcmd__ledger__subcmd__export)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__help__subcmd__ledger__subcmd__import)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__help__subcmd__ledger__subcmd__list)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__help__subcmd__ledger__subcmd__pack)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__help__subcmd__ledger__subcmd__pass)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__help__subcmd__ledger__subcmd__ready)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__help__subcmd__ledger__subcmd__report)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__help__subcmd__ledger__subcmd__shoot)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__help__subcmd__ledger__subcmd__show)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__help__subcmd__ledger__subcmd__supply)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__help__subcmd__mend)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__help__subcmd__merge)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__help__subcmd__rake)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__help__subcmd__recheck)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__help__subcmd__signoff)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__help__subcmd__trace)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__help__subcmd__window)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__inspect)
            opts="-h --json --sensor --no-record --ledger --out --print --distance --screen --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 2 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --sensor)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --ledger)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --out)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --print)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --distance)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger)
            opts="-h --ledger --json --help list show pass body supply shoot ready pack deliveries export import report help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 2 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --ledger)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__body)
            opts="-h --name --pictures --lens-changes --quote --workshop --ledger --json --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --name)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --pictures)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --lens-changes)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --quote)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --workshop)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --ledger)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__deliveries)
            opts="-h --ledger --json --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --ledger)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__export)
            opts="-h --out --ledger --json --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --out)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --ledger)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__help)
            opts="list show pass body supply shoot ready pack deliveries export import report help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__help__subcmd__body)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__help__subcmd__deliveries)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__help__subcmd__export)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__help__subcmd__help)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__help__subcmd__import)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__help__subcmd__list)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__help__subcmd__pack)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__help__subcmd__pass)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__help__subcmd__ready)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__help__subcmd__report)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__help__subcmd__shoot)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__help__subcmd__show)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__help__subcmd__supply)
            opts=""
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 4 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__import)
            opts="-h --ledger --json --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --ledger)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__list)
            opts="-h --ledger --json --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --ledger)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__pack)
            opts="-h --days --booked --ledger --json --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --days)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --booked)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --ledger)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__pass)
            opts="-h --kind --swab --fluid --made --note --ledger --json --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --kind)
                    COMPREPLY=($(compgen -W "blow brush swab" -- "${cur}"))
                    return 0
                    ;;
                --swab)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --fluid)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --made)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --note)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --ledger)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__ready)
            opts="-h --shoot --ledger --json --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --shoot)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --ledger)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__report)
            opts="-h --out --booked --ledger --json --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --out)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --booked)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --ledger)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__shoot)
            opts="-h --from --to --booked --body --note --ledger --json --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --from)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --to)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --booked)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --body)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --note)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --ledger)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__show)
            opts="-h --booked --ledger --json --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --booked)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --ledger)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__ledger__subcmd__supply)
            opts="-h --unit --bought --paid --used --low --ledger --json --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 3 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --unit)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --bought)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --paid)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --used)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --low)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --ledger)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__mend)
            opts="-h --test-frame --trace --originals --dry-run --masks --gain-maps --only --skip --mend --same-body --part --undo --json --sensor --no-record --ledger --out --print --distance --screen --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 2 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --test-frame)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --trace)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --originals)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --masks)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --only)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --skip)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --mend)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --part)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --sensor)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --ledger)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --out)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --print)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --distance)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__merge)
            opts="-h --out --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 2 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --out)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__rake)
            opts="-h --out --strength --scale --json --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 2 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --out)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --strength)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --scale)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__recheck)
            opts="-h --pass --booked --grit --on-location --battery-low --cold --manual-forbids --json --sensor --no-record --ledger --out --print --distance --screen --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 2 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --pass)
                    COMPREPLY=($(compgen -W "blow brush swab" -- "${cur}"))
                    return 0
                    ;;
                --booked)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --sensor)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --ledger)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --out)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --print)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --distance)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__signoff)
            opts="-h --trace --test-frame --originals --part --json --sensor --no-record --ledger --out --print --distance --screen --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 2 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --trace)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --test-frame)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --originals)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --part)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --sensor)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --ledger)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --out)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --print)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --distance)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__trace)
            opts="-h --test-frame --watch --part --json --sensor --no-record --ledger --out --print --distance --screen --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 2 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --test-frame)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --watch)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --part)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --sensor)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --ledger)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --out)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --print)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --distance)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
        motelight__subcmd__window)
            opts="-h --state --ledger --no-record --help"
            if [[ ${cur} == -* || ${COMP_CWORD} -eq 2 ]] ; then
                COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
                return 0
            fi
            case "${prev}" in
                --state)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                --ledger)
                    COMPREPLY=($(compgen -f "${cur}"))
                    return 0
                    ;;
                *)
                    COMPREPLY=()
                    ;;
            esac
            COMPREPLY=( $(compgen -W "${opts}" -- "${cur}") )
            return 0
            ;;
    esac
}

if [[ "${BASH_VERSINFO[0]}" -eq 4 && "${BASH_VERSINFO[1]}" -ge 4 || "${BASH_VERSINFO[0]}" -gt 4 ]]; then
    complete -F _motelight -o nosort -o bashdefault -o default motelight
else
    complete -F _motelight -o bashdefault -o default motelight
fi
