#!/bin/sh
# Modulated tones made by two programs that no one here wrote. The tests read the files, not this script.
# Made with ffmpeg 5.1.9 and sox 14.4.2 (Debian 12); run in this directory.
#
# Formulas, from the source text of the programs (ffmpeg libavfilter/af_vibrato.c, af_tremolo.c; sox tremolo.c):
#   vibrato f, d   the delay swings by d x (B - 1) / 2 samples about its mean, B = rint(0.005 rate + 0.5), with a
#                  period of N = rint(rate / f + 0.5) samples, so the peak speed deviation is pi d (B - 1) / N.
#                  Linear interpolation between samples adds about 1 % of amplitude modulation at 3150 Hz. The first
#                  5 ms are silent.
#   tremolo f, d   gain 1 - d/2 + (d/2) sin, so the peak amplitude deviation is (d/2) / (1 - d/2). sox takes 100 d.
#   speed s        all frequencies times s.
# Files, 48 kHz, 16 bit, mono:
#   vibrato_4hz    f = 4, d = 0.1      B = 240, N = 12000 (12000.5 to even): pi 0.1 239 / 12000 = 0.62570 %
#   vibrato_10hz   f = 10, d = 0.01    N = 4800: 0.15643 %
#   vibrato_30hz   f = 30, d = 0.005   N = 1600: 0.23464 %
#   tremolo_ffmpeg f = 5, d = 0.1      5.26316 %
#   tremolo_sox    f = 5, d = 0.1      5.26316 %
#   speed_sox      s = 1.005           3165.75 Hz
set -eu

tone='aevalsrc=0.5*sin(2*PI*3150*t):s=48000:d=5.7'
encode='-c:a flac -compression_level 12 -sample_fmt s16 -map_metadata -1 -fflags +bitexact -flags:a +bitexact'

make() {
    # shellcheck disable=SC2086
    ffmpeg -v error -y -f lavfi -i "$tone" -af "$2" $encode "$1.flac"
}

make vibrato_4hz 'vibrato=f=4:d=0.1'
make vibrato_10hz 'vibrato=f=10:d=0.01'
make vibrato_30hz 'vibrato=f=30:d=0.005'
make tremolo_ffmpeg 'tremolo=f=5:d=0.1'

ffmpeg -v error -y -f lavfi -i "$tone" -c:a pcm_s24le tone.wav
sox -D tone.wav -b 16 -C 8 tremolo_sox.flac tremolo 5 10
sox -D tone.wav -b 16 -C 8 speed_sox.flac speed 1.005 rate -v 48000
rm tone.wav
