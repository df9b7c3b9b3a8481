// The reject gate in C#, by the GPIO character device: mono responder.exe CHIP INPUT OUTPUT COUNT [RECORDS]
//
// Answers COUNT rising edges of the line with offset INPUT by a pulse on OUTPUT; "ready" on stderr when it waits. The
// C library is called through P/Invoke. RECORDS: so many small objects are made after each answer and kept for 64
// edges, as a program does that remembers its bottles; the collector then has work.
using System;
using System.IO;
using System.Runtime.InteropServices;

static class Responder
{
    const uint GetLine = 0xC250B407, SetValues = 0xC010B40F; // GPIO_V2_GET_LINE_IOCTL, GPIO_V2_LINE_SET_VALUES_IOCTL
    const ulong InputRising = 1 << 2 | 1 << 4, Output = 1 << 3;

    [StructLayout(LayoutKind.Sequential)]
    struct Levels { public ulong Bits, Mask; }

    sealed class Record { public long Bottle, Lot; }

    [DllImport("libc", SetLastError = true)]
    static extern int open(string path, int flags);
    [DllImport("libc", SetLastError = true)]
    static extern int ioctl(int fd, UIntPtr code, byte[] request);
    [DllImport("libc")]
    static extern int ioctl(int fd, UIntPtr code, ref Levels levels);
    [DllImport("libc")]
    static extern IntPtr read(int fd, byte[] buffer, UIntPtr size);

    static int Line(int chip, uint offset, ulong flags)
    {
        var request = new byte[592]; // struct gpio_v2_line_request
        BitConverter.GetBytes(offset).CopyTo(request, 0);
        System.Text.Encoding.ASCII.GetBytes("responder").CopyTo(request, 256);
        BitConverter.GetBytes(flags).CopyTo(request, 288);
        BitConverter.GetBytes(1u).CopyTo(request, 560);
        if (ioctl(chip, (UIntPtr)GetLine, request) != 0)
            throw new IOException("line " + offset + ": error " + Marshal.GetLastWin32Error());
        return BitConverter.ToInt32(request, 588);
    }

    static Record[] Work(int records, int bottle)
    {
        var made = new Record[records];
        for (int i = 0; i < records; i++)
            made[i] = new Record { Bottle = bottle, Lot = i };
        return made;
    }

    static int Main(string[] words)
    {
        if (words.Length < 4)
        {
            Console.Error.WriteLine("usage: mono responder.exe CHIP INPUT OUTPUT COUNT [RECORDS]");
            return 2;
        }
        int chip = open(words[0], 2);
        if (chip < 0)
            throw new IOException(words[0] + ": error " + Marshal.GetLastWin32Error());
        int output = Line(chip, uint.Parse(words[2]), Output), input = Line(chip, uint.Parse(words[1]), InputRising);
        int count = int.Parse(words[3]), records = words.Length > 4 ? int.Parse(words[4]) : 0;
        var high = new Levels { Bits = 1, Mask = 1 };
        var low = new Levels { Bits = 0, Mask = 1 };
        var seen = new byte[48];
        var kept = new Record[64][];
        UIntPtr code = (UIntPtr)SetValues, size = (UIntPtr)48u;
        ioctl(output, code, ref low); // the first call of each is when it is compiled
        Console.Error.WriteLine("ready");
        for (int i = 0; i < count; i++)
        {
            if (read(input, seen, size) != (IntPtr)48)
                return 3;
            ioctl(output, code, ref high);
            ioctl(output, code, ref low);
            if (records > 0)
                kept[i % 64] = Work(records, i);
        }
        return 0;
    }
}
