//! Words of column names, in the languages in which headers are written.

/// What a word says about a column.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) enum Concept {
    Time,
    Date,
    Counter,
    Begin,
    End,
    Device,
    Temperature,
    Power,
    Energy,
    Rapl,
    Clock,
    Fan,
    Pump,
    Duty,
    Load,
    Level,
    Limit,
    Throttle,
    Score,
    Work,
    Coolant,
    Room,
    Package,
    Die,
    Cpu,
    Core,
    HotSpot,
    Graphics,
    Memory,
    Drive,
    Board,
    Supply,
    Battery,
    Wall,
    Case,
    Bus,
    Average,
    Least,
    Most,
    Total,
    Difference,
    Electric,
    Metric,
    Value,
    UnitName,
}

use Concept::{
    Average, Battery, Begin, Board, Bus, Case, Clock, Coolant, Core, Counter, Cpu, Date, Device,
    Die, Difference, Drive, Duty, Electric, End, Energy, Fan, Graphics, HotSpot, Least, Level,
    Limit, Load, Memory, Metric, Most, Package, Power, Pump, Rapl, Room, Score, Supply,
    Temperature, Throttle, Time, Total, UnitName, Value, Wall, Work,
};

/// Words by concept, lower case, accents removed. A word stands for itself; `stem*` for every
/// word that begins with the stem, or holds it if the stem has five letters or more (compounds);
/// words in scripts without blanks are looked for anywhere.
const WORDS: [(Concept, &str); 45] = [
    (
        Time,
        "time timestamp zeit* uhrzeit* zeitstempel* temps heure horodat* tiempo hora marca \
            tempo ora orario время час секунд* sec secs second* sek elapsed uptime runtime laufzeit* \
            datetime stamp epoch unix* tijd czas cas tid 时间 時間 时刻 時刻 経過 日時 시간 millis* msec",
    ),
    (Date, "date datum fecha data дата 日期 日付 날짜 day tag"),
    (
        Counter,
        "index idx sample samples nr no num number nummer row zeile record count # step seq \
               sequence frame id lfd muestra amostra campione echantillon номер 序号 番号 n",
    ),
    (
        Begin,
        "begin start von debut inicio inizio начало 开始 開始 from",
    ),
    (
        End,
        "end stop ende bis fin fim fine конец 结束 終了 until to",
    ),
    (
        Device,
        "device gerat* appareil dispositiv* устройств* 设备 設備 デバイス host hostname node \
              name unit_id serial uuid instance machine rechner sensor_id chip slot part",
    ),
    (
        Temperature,
        "temp* tmp tctl tdie tccd* tjunction junction thermal* therm temperatur* \
                   темп* термо* 温度 溫度 温 溫 온도 sicaklik lampotila hotspot celsius degc warmte*",
    ),
    (
        Power,
        "power pwr watt* leistung* puissance* potencia* potenza* consumo verbrauch* consommation* \
             мощност* потреблен* 功率 功耗 電力 消費電力 전력 moc vermogen effekt* guc draw ppt",
    ),
    (
        Energy,
        "energy energie* energia* энерг* 能量 电能 能耗 エネルギー 電力量 에너지 joule* kwh wh",
    ),
    (Rapl, "rapl"),
    (
        Clock,
        "clock* clk freq* frequenz* takt* frequence* horloge* frecuencia* frequencia* \
             frequenza* reloj частот* 频率 頻率 时钟 クロック 周波数 클럭 mhz ghz speed",
    ),
    (
        Fan,
        "fan* lufter* gebläse* geblase* ventilateur* ventilador* ventilator* ventola* ventole \
           cooler вентилятор* кулер* 风扇 風扇 ファン 팬 tach* drehzahl* rpm wentylator*",
    ),
    (
        Pump,
        "pump* pumpe* pompe* bomba* pompa* насос* помп* 水泵 泵 ポンプ 펌프",
    ),
    (Duty, "duty pwm tastgrad* tastverhaltnis* rapport ciclo"),
    (
        Load,
        "load usage util* auslastung* last prozessorlast cpulast nutzung* charge utilis* utiliz* carga uso carico \
            загрузк* нагрузк* использован* 使用率 负载 負載 占用 負荷 利用率 사용률 busy activity",
    ),
    (
        Level,
        "sound* noise* loudness* spl dba laeq leq schall* pegel* lautstark* bruit* sonore* ruido* rumore* \
             шум* звук* 噪音 噪声 騒音 音量 소음",
    ),
    (
        Limit,
        "limit* setpoint* set soll sollwert* target* ziel* pl1 pl2 pl3 pl4 cap tdp tjmax tjunctionmax \
             threshold* schwelle* grenz* consigne* seuil* limite* consigna* umbral* obiettivo* crit* \
             предел* лимит* уставк* 限制 上限 设定 設定 目标 目標 閾値 제한 edc tdc",
    ),
    (
        Throttle,
        "throttl* thr thrott* prochot drossel* reasons brid* ограничен* троттл* 降频 降頻 スロットリング",
    ),
    (
        Score,
        "score* fps punkte* points puntuacion* pontuacao* punteggio* балл* очки 得分 分数 スコア 점수",
    ),
    (
        Work,
        "work gflop* flop* iteration* ops operations arbeit travail* trabajo trabalho lavoro работа \
            作業 工作量 passes",
    ),
    (
        Coolant,
        "coolant* water liquid* kuhlmittel* wasser* kuhlwasser* eau liquide* agua refrigerante* acqua* \
               вод* жидкост* охлаждающ* 水温 冷却 水 loop",
    ),
    (
        Room,
        "ambient* room* intake* inlet* indoor umgebung* raum* zuluft* ansaug* zimmer* ambiante* \
            ambiance* piece ambiente* sala habitacion* entrada* stanza* комнат* окруж* помещен* \
            室温 室溫 环境 環境 周囲 室内 吸気 进风 입구",
    ),
    (
        Package,
        "package* pkg pckg gehause_gesamt paket* paquet* пакет* 封装 封裝 パッケージ 패키지 socket",
    ),
    (Die, "die tdie tctl junction soc 芯片 ダイ"),
    (
        Cpu,
        "cpu* processor* prozessor* processeur* procesador* processador* processore* процессор* цп \
           处理器 處理器 プロセッサ 프로세서 apu package*",
    ),
    (
        Core,
        "core* kern kerne coeur* nucleo* ядр* ядер 核心 コア 코어 p-core e-core tccd* ccd*",
    ),
    (HotSpot, "hotspot hot"),
    (
        Graphics,
        "gpu* graphic* grafik* graphique* video vga igpu dgpu видеокарт* графич* 显卡 顯卡 显示 グラフィック 그래픽",
    ),
    (
        Memory,
        "mem memory dram dimm* vram speicher* ram memoire* memoria* память памят* 内存 記憶 显存 メモリ* 메모리 hbm",
    ),
    (
        Drive,
        "drive disk* ssd hdd nvme* festplatte* disque* disco* диск* накопител* 硬盘 硬碟 磁盘 ディスク 디스크",
    ),
    (
        Board,
        "board* motherboard* mainboard* chipset* pch vrm* mos mosfet* system carte материн* плат* 主板 主機板 \
             マザーボード 메인보드 superio acpitz",
    ),
    (
        Supply,
        "psu supply netzteil* alimentation* fuente alimentatore* блок 电源 電源",
    ),
    (
        Battery,
        "battery* bat akku* batterie* bateria* batteria* батаре* 电池 電池 バッテリー 배터리",
    ),
    (
        Wall,
        "wall ac mains steckdose* plug prise outlet розетк* 插座 コンセント",
    ),
    (
        Case,
        "case* chassis* gehause* boitier* caja gabinete* корпус* 机箱 機箱 ケース rear front top",
    ),
    (
        Bus,
        "bus uncore ring fabric fclk uclk mclk bclk fsb effective",
    ),
    (
        Average,
        "average avg ave mean durchschnitt* mittel* moyen* promedio* media* medio средн* 平均 평균",
    ),
    (
        Least,
        "min minimum least mindest* минимал* мин 最小 最低 최소",
    ),
    (
        Most,
        "max maximum peak hochst* spitze* maxim* massim* макс* 最大 最高 최대",
    ),
    (
        Total,
        "total gesamt* sum summe insgesamt totale* общ* 总 總 合計 총",
    ),
    (
        Difference,
        "delta diff* difference* differenz* distance* abstand* headroom margin разност* 差",
    ),
    (
        Electric,
        "voltage* volt* vcore vid vdd* spannung* tension* voltaje* current amps strom* courant* corriente* \
                corrente* напряжен* ток 电压 電壓 电流 電流 電圧 전압 전류 humid* feuchte* pressure* druck*",
    ),
    (
        Metric,
        "metric* sensor* measurement* parameter* kennzahl* messgrosse* grandeur* quantity channel kanal \
              variable* name field label type 指标 指標 传感器 項目 метрик* датчик*",
    ),
    (
        Value,
        "value* wert* messwert* valeur* valor* valore* reading* значен* 值 数值 値",
    ),
    (
        UnitName,
        "unit units einheit* unite* unidad* unidade* unita единиц* 单位 單位 単位",
    ),
];

/// What is said by a column's name, with the word that says it.
pub(crate) fn concepts(name: &str) -> Vec<(Concept, String)> {
    let folded = fold(name);
    let mut tokens = tokens(name);
    // `powermax`: what the statistic is of counts as a word too.
    let stems: Vec<String> = tokens
        .iter()
        .flat_map(|t| {
            ENDINGS
                .iter()
                .filter_map(|(ending, _)| t.strip_suffix(ending))
        })
        .filter(|stem| stem.len() >= 3)
        .map(str::to_owned)
        .collect();
    tokens.extend(stems);
    let mut found = Vec::new();
    for (concept, words) in WORDS {
        if let Some(word) = words
            .split_whitespace()
            .find(|w| matches(w, &folded, &tokens))
        {
            found.push((concept, word.trim_end_matches('*').to_owned()));
        }
    }
    statistic_endings(&tokens, &mut found);
    found
}

fn matches(word: &str, folded: &str, tokens: &[String]) -> bool {
    if word.chars().next().is_some_and(|c| c >= '\u{2e80}') {
        return folded.contains(word.trim_end_matches('*'));
    }
    match word.strip_suffix('*') {
        Some(stem) if stem.chars().count() >= 5 => tokens.iter().any(|t| t.contains(stem)),
        Some(stem) => tokens.iter().any(|t| t.starts_with(stem)),
        None => tokens.iter().any(|t| t == word),
    }
}

/// Statistics that are glued to the word they are of.
const ENDINGS: [(&str, Concept); 5] = [
    ("ave", Average),
    ("avg", Average),
    ("mean", Average),
    ("min", Least),
    ("max", Most),
];

/// `powermax`, `tempave`: what the ending says.
fn statistic_endings(tokens: &[String], found: &mut Vec<(Concept, String)>) {
    for (ending, concept) in ENDINGS {
        let glued = tokens
            .iter()
            .any(|t| t.strip_suffix(ending).is_some_and(|s| s.len() >= 3));
        if glued && !found.iter().any(|(c, _)| *c == concept) {
            found.push((concept, ending.to_owned()));
        }
    }
}

/// Lower case, accents of Latin letters removed.
pub(crate) fn fold(text: &str) -> String {
    text.chars()
        .flat_map(char::to_lowercase)
        .map(without_accent)
        .collect()
}

fn without_accent(c: char) -> char {
    match c {
        'à' | 'á' | 'â' | 'ã' | 'ä' | 'å' => 'a',
        'ç' => 'c',
        'è' | 'é' | 'ê' | 'ë' => 'e',
        'ì' | 'í' | 'î' | 'ï' => 'i',
        'ñ' => 'n',
        'ò' | 'ó' | 'ô' | 'õ' | 'ö' => 'o',
        'ù' | 'ú' | 'û' | 'ü' => 'u',
        'ß' => 's',
        _ => c,
    }
}

/// Words of a name: split at marks, at changes from small to capital letters and between letters
/// and digits (where `t1` is kept as well).
pub(crate) fn tokens(name: &str) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    for run in name.split(|c: char| !c.is_alphanumeric() && c != '#') {
        if run.is_empty() {
            continue;
        }
        let before = out.len();
        let mut word = String::new();
        let mut last: Option<char> = None;
        for c in run.chars() {
            let turn = last.is_some_and(|l| {
                (l.is_lowercase() && c.is_uppercase())
                    || (l.is_alphabetic() && c.is_numeric())
                    || (l.is_numeric() && c.is_alphabetic())
            });
            if turn {
                out.push(fold(&word));
                word.clear();
            }
            word.push(c);
            last = Some(c);
        }
        out.push(fold(&word));
        if out.len() > before + 1 {
            out.push(fold(run));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn says(name: &str, concept: Concept) -> bool {
        concepts(name).iter().any(|(c, _)| *c == concept)
    }

    #[test]
    fn temperatures_in_nine_languages() {
        for name in [
            "CPU Temperature",
            "Prozessortemperatur",
            "Température CPU",
            "temperatura_C",
            "Temperatura do processador",
            "Temperatura processore",
            "Температура ЦП",
            "CPU温度",
            "CPUパッケージ温度",
            "tempave",
            "CpuTempC",
        ] {
            assert!(says(name, Temperature), "{name}");
        }
        assert!(says("Kühlmitteltemperatur", Coolant));
        assert!(says("室温", Room));
        assert!(says("Umgebungstemperatur", Room));
    }

    #[test]
    fn fans_power_and_clocks() {
        for name in [
            "Lüfterdrehzahl",
            "Ventilateur 1",
            "ventilador",
            "ventola CPU",
            "Вентилятор",
            "风扇转速",
        ] {
            assert!(says(name, Fan), "{name}");
        }
        for name in [
            "Leistungsaufnahme",
            "Puissance CPU",
            "Potência",
            "Мощность",
            "功耗",
            "消費電力",
        ] {
            assert!(says(name, Power), "{name}");
        }
        assert!(
            says("Taktfrequenz", Clock) && says("частота ядра", Clock) && says("周波数", Clock)
        );
    }

    #[test]
    fn look_alikes_are_told_apart() {
        assert!(!says("Worker_Threads", Work));
        assert!(says("Set_PPT_W", Limit) && says("power_limit_w", Limit));
        assert!(says("powermax", Most) && says("powermax", Power));
        assert!(!says("Setup time", Limit));
    }
}
