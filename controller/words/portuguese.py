"""The Portuguese catalogue, as spoken in Portugal: short, concrete, what to do first."""

from collections.abc import Mapping, Sequence
from datetime import date
from types import MappingProxyType

CODE, DECIMAL = "pt", ","

DAYS = ("segunda-feira", "terça-feira", "quarta-feira", "quinta-feira", "sexta-feira", "sábado", "domingo")
MONTHS = (
    "janeiro", "fevereiro", "março", "abril", "maio", "junho", "julho", "agosto", "setembro", "outubro", "novembro",
    "dezembro",
)  # fmt: skip


def joined(parts: Sequence[str]) -> str:
    """A list as it is spoken."""
    return ", ".join(parts[:-1]) + (" e " if len(parts) > 1 else "") + "".join(parts[-1:])


def weekday(day: date) -> str:
    """Its name."""
    return DAYS[day.weekday()]


def plain_day(day: date) -> str:
    """As `quinta-feira, 16 de julho`."""
    return f"{weekday(day)}, {day.day} de {MONTHS[day.month - 1]}"


def on_day(day: date) -> str:
    """As an answer to when; Saturday and Sunday are masculine."""
    return f"{'no' if day.weekday() > 4 else 'na'} {plain_day(day)}"


def span(first: date, last: date) -> str:
    """One day, or from one to another."""
    if first == last:
        return on_day(first)
    begin = f"{weekday(first)}, {first.day}" if first.month == last.month else plain_day(first)
    return f"de {begin}, a {plain_day(last)}"


TEXTS: Mapping[str, str] = MappingProxyType({
    # The heat itself
    "heat": "até {peak_c} {when}",
    "heat.traits": "até {peak_c} {when} ({traits})",
    "heat.perhaps": "talvez {hot_c} {when} (probabilidade de {chance_percent})",
    "heat.perhaps.traits": "talvez {hot_c} {when} (probabilidade de {chance_percent}; {traits})",
    "heat.brief": "até {peak_c} a partir de {day:weekday}",
    "heat.brief-one": "{day:weekday} com {peak_c}",
    "heat.brief-perhaps": "{day:weekday} talvez com {hot_c}",
    "heat.unusual": "fora do habitual para o sítio",
    "heat.low": "onda de calor fraca para o sítio",
    "heat.severe": "onda de calor severa para o sítio",
    "heat.extreme": "onda de calor extrema para o sítio",
    "heat.windy": "com vento",
    "heat.dry": "ar muito seco",
    # Days before
    "no-planting": "Não plante nem transplante.",
    "no-planting.until": "Vem aí calor, {heat}. O primeiro dia com {mild_c} ou menos à sua volta é {day}.",
    "no-planting.no-end": "Vem aí calor, {heat}. Não há, para já, um dia com {mild_c} ou menos antes e depois.",
    "no-pruning": "Não faça podas nem adube.",
    "no-pruning.why": "A planta podada perde as folhas que dão sombra aos frutos e aos ramos. {brief:cap}.",
    "harvest": "Colha o que estiver maduro.",
    "harvest.why": "A fruta madura queima-se e tira água à planta. {brief:cap}.",
    "mulch": "Cubra o solo ({zones}) com {depth_cm} de palha ou mais, solta e sem encostar aos caules. "
    "São precisos cerca de {loose_l}.",
    "mulch.why": "O solo nu perde água ao sol. {brief:cap}.",
    "stake": "Ponha tutores e ate: {zones}.",
    "stake.why": "Os caules murchos partem com o vento quente. {brief:cap}.",
    "stake.wind": "Os caules murchos partem com o vento quente, {wind_m_s} todo o dia. {brief:cap}.",
    "check-lines": "Lave o filtro e percorra as linhas de rega com a água a correr.",
    "check-lines.pump": "Lave o filtro, verifique a bomba e percorra as linhas de rega com a água a correr.",
    "check-lines.why": "Um gotejador entupido é uma planta seca num dia. {brief:cap}.",
    "fill": "Encha depósitos e regadores: {store_l}.",
    "fill.why": "Quando todos regam, a torneira dá pouco. {brief:cap}.",
    "fill.pots": "Os vasos sem linha de rega precisam de {drawn_l}. {brief:cap}.",
    "animals": "Dê sombra e água fresca a: {animals}.",
    "animals.why": "Não têm como fugir do sol. {brief:cap}.",
    # The eve
    "shade.first-then": "Ponha sombra: primeiro {tender}; depois {others}.",
    "shade.tender": "Ponha sombra: {tender}.",
    "shade.others": "Ponha sombra: {others}.",
    "shade.why": "{heat:cap}: as plantas novas têm raízes curtas e são as primeiras a queimar.",
    "shade.why-others": "{heat:cap}: folhas e frutos ao sol direto queimam-se.",
    "pots": "Tire os vasos ({zones}) do sol do meio-dia e da tarde; deixe-os na linha de rega.",
    "pots.by-hand": "Tire os vasos ({zones}) do sol do meio-dia e da tarde. Fora da linha de rega, cada um precisa "
    "por dia: {each_l}.",
    "pots.why": "Um vaso de {volume_l} aquece por inteiro e guarda pouca água. {brief:cap}.",
    "mulch-back": "Ao fim do dia, afaste a cobertura da linha de rega: {zones}. "
    "Volte a pô-la depois da rega da madrugada.",
    "mulch-back.why": "A cobertura beberia os primeiros {drunk_mm} da rega antes de {day}: {saved_l}.",
    "mulch-on": "Volte a pôr a cobertura sobre o solo: {zones}.",
    "mulch-on.why": "O solo nu e molhado seca mais depressa ao sol da manhã.",
    # During
    "look-at-dusk": "Veja as plantas depois do pôr do sol, não ao meio-dia: {zones}.",
    "look-at-dusk.why": "Folhas caídas ao meio-dia que se levantam ao anoitecer não têm sede; as que continuam caídas "
    "têm. Dia quente ({day:weekday}), {heat}.",
    "water-by-hand.morning": "Regue à mão {day:on}, de manhã, cada vaso: {each_l}.",
    "water-by-hand.evening": "Regue à mão {day:on}, ao fim do dia, cada vaso: {each_l}.",
    "water-by-hand.why": "Nenhuma linha de rega lhes chega, e nesse dia ({day:weekday}) gastam {whole_l}; {heat}.",
    "water-pots.morning": "Regue à mão {day:on}, de manhã ({zones}): {count} vasos, {each_l} cada.",
    "water-pots.evening": "Regue à mão {day:on}, ao fim do dia ({zones}): {count} vasos, {each_l} cada.",
    "water-pots.why": "Estão fora da linha de rega, e cada um gasta cerca de {day_l} nesse dia ({day:weekday}).",
    # After
    "shade-off": "Retire a sombra ao fim do dia.",
    "shade-off.pots": "Retire a sombra ao fim do dia e volte a pôr os vasos no lugar.",
    "shade-off.why": "O calor passou; foi {heat}.",
    "shade-off.calm": "Até {day} não passa de {peak_c}. Já precisam de luz: {zones}.",
    "check-zones": "Passe uma vez por todos os canteiros: folhas queimadas, flores caídas, manchas secas ao longo "
    "da linha de rega.",
    "check-zones.why": "Foi {heat}. Nenhuma sonda acusou falta de água; uma linha avariada vê-se numa planta seca.",
    "check-zones.short": "Veja de perto: {zones}. Procure folhas queimadas, flores caídas, manchas secas ao longo "
    "da linha de rega.",
    "check-zones.short-why": "Pelas contas e pelas sondas, faltou-lhes água durante: {each_h}. Foi {heat}.",
    "plant-again": "Pode voltar a plantar {day:on}.",
    "plant-again.why": "Nesse dia, na véspera e no dia seguinte, não passa de {mild_c}.",
    # The season's own
    "valves": "Experimente todas as válvulas e meça o caudal com um balde; devem dar: {each_l_min}.",
    "valves.why": "O inverno entope linhas e abre juntas; mais vale saber agora do que no calor.",
    "probes": "Mude as pilhas das sondas ({zones}) e compare cada uma depois de uma boa rega.",
    "probes.why": "As pilhas acabam na primeira semana de calor, e uma sonda desafinada engana o verão inteiro.",
    "prune": "Faça a poda num dia seco e sem geada: {zones}.",
    "prune.why": "Estão em repouso. Onde o inverno é chuvoso, deixe as fruteiras de caroço para depois da colheita.",
    "summer-mulch": "Cubra o solo com {depth_cm} de palha quando estiver quente e bem molhado: {zones}.",
    "summer-mulch.why": "Começam os meses secos; a palha guarda no solo a água da primavera.",
    "cloth-up": "Monte a rede de sombra, com os lados levantados para o ar passar por baixo: {zones}.",
    "cloth-up.why": "O verão está à porta; o ar parado debaixo da rede aquece mais do que ao ar livre.",
    "cloth-down": "Desmonte a rede de sombra, ou baixe-lhe os lados contra o vento: {zones}.",
    "cloth-down.why": "A luz já é fraca, e os temporais rasgam a rede.",
    "winter": "Feche a água na torneira, esvazie as linhas e o filtro, e guarde a bomba e os manómetros.",
    "winter.why": "Até à primavera nada precisa de rega, e a água que gela rebenta canos.",
    "frost": "Esvazie as linhas de rega e proteja a torneira, o filtro e as válvulas.",
    "frost.why": "Preveem-se {tmin_c} {day:on}; a água que gela rebenta canos.",
    # The house's own
    "own": "{text}",
    "own.zones": "{text} ({zones})",
    "own.yearly": "Todos os anos, a partir de {day}.",
    "own.before": "Vem aí calor, {heat}.",
    "own.in": "Está calor, {heat}.",
    "own.after": "O calor passou; foi {heat}.",
    # Around the jobs
    "caution": "Trabalhe cedo ou tarde, beba água, descanse à sombra. Os avisos oficiais de calor vêm primeiro.",
    "when.by": "até {day}, às {at}",
    "when.until": "até {day}, às {at}",
    "when.by-night": "até à noite de {day}",
    "when.until-night": "até à noite de {day}",
    "takes": "cerca de {work_min}",
    "jobs.heading": "Para fazer à mão",
    "jobs.none": "Nada por agora.",
    "jobs.none-listed": "Nada para fazer à mão por agora.",
    "jobs.done": "Feito ({day:weekday}, {at}): {what}",
    "jobs.dismissed": "Posto de parte: {what}",
    "jobs.expired": "Já passou: {what}",
    "jobs.how": "feito? seepward jobs done {text}",
    # The day's message
    "digest.head": "{site}, {day}",
    "digest.heat": "Calor: {heat}.",
    "digest.fault": "Avaria: {fault}",
    "digest.thirsty": "Hoje faltou água: {zone}.",
    "digest.also": "Continuam por fazer {count} tarefas anteriores.",
    "digest.also-one": "Continua por fazer 1 tarefa anterior.",
    "digest.away": "Rega de hoje: {given_l}. Enquanto estiver fora não se pedem tarefas.",
    "digest.subject-fault": "{site}: a rega está parada",
    "digest.subject-heat": "{site}: calor {heat}",
    "digest.subject-trouble": "{site}: há um problema",
    "digest.subject-well": "{site}: tudo bem",
    "digest.subject-job": "{site}: 1 tarefa",
    "digest.subject-jobs": "{site}: {count} tarefas",
    "fault.guard": "a rega está parada desde as {since}: a parte que comanda as válvulas deixou de funcionar. "
    "As válvulas estão fechadas. Veja o controlador e regue à mão.",
    "fault.lines": "há uma válvula que não obedece, desde as {since}. Veja se corre água e, se correr, feche "
    "a torneira.",
    "fault.sensor": "não se pode confiar no sensor {sensor}, desde as {since}. A rega continua sem ele; veja "
    "a pilha e se está no lugar.",
    "fault.forecast": "há dois dias sem previsão nova. A rega continua com a última e com os sensores.",
    "fault.broker": "sem ligação aos sensores desde as {since}. A rega continua pelo tempo que faz.",
    "fault.mail": "a mensagem não pôde ser enviada por correio eletrónico, desde as {since}.",
})
