// The reject gate in Java 17, by the GPIO character device; one source file, run as it is:
//   java --add-modules jdk.incubator.foreign --enable-native-access=ALL-UNNAMED responder.java CHIP INPUT OUTPUT COUNT
//
// Answers COUNT rising edges of the line with offset INPUT by a pulse on OUTPUT; "ready" on stderr when it waits. A
// fifth argument, RECORDS: so many objects are made after each answer and kept for 64 edges, so that the collector has
// work. The foreign-function interface is an incubator module in 17 and has other names in later versions.
import static jdk.incubator.foreign.CLinker.C_INT;
import static jdk.incubator.foreign.CLinker.C_LONG;
import static jdk.incubator.foreign.CLinker.C_POINTER;

import java.io.IOException;
import java.lang.invoke.MethodHandle;
import java.lang.invoke.MethodType;
import jdk.incubator.foreign.CLinker;
import jdk.incubator.foreign.FunctionDescriptor;
import jdk.incubator.foreign.MemoryAccess;
import jdk.incubator.foreign.MemoryAddress;
import jdk.incubator.foreign.MemorySegment;
import jdk.incubator.foreign.ResourceScope;

final class Responder {
    private static final long GET_LINE = 0xC250B407L; // GPIO_V2_GET_LINE_IOCTL
    private static final long SET_VALUES = 0xC010B40FL; // GPIO_V2_LINE_SET_VALUES_IOCTL
    private static final long INPUT_RISING = 1 << 2 | 1 << 4, OUTPUT = 1 << 3;
    private static final MethodHandle OPEN = function("open",
        MethodType.methodType(int.class, MemoryAddress.class, int.class), FunctionDescriptor.of(C_INT, C_POINTER, C_INT));
    private static final MethodHandle IOCTL = function("ioctl",
        MethodType.methodType(int.class, int.class, long.class, MemoryAddress.class),
        FunctionDescriptor.of(C_INT, C_INT, C_LONG, C_POINTER));
    private static final MethodHandle READ = function("read",
        MethodType.methodType(long.class, int.class, MemoryAddress.class, long.class),
        FunctionDescriptor.of(C_LONG, C_INT, C_POINTER, C_LONG));

    private record Bottle(long number, long lot) {}

    private static MethodHandle function(String name, MethodType type, FunctionDescriptor takes) {
        return CLinker.getInstance().downcallHandle(CLinker.systemLookup().lookup(name).get(), type, takes);
    }

    private static MemorySegment memory(int bytes) {
        return MemorySegment.allocateNative(bytes, 8, ResourceScope.globalScope());
    }

    private static MemoryAddress levels(long bits) {
        var levels = memory(16);
        MemoryAccess.setLongAtOffset(levels, 0, bits);
        MemoryAccess.setLongAtOffset(levels, 8, 1);
        return levels.address();
    }

    private static int line(int chip, int offset, long flags) throws Throwable {
        var request = memory(592); // struct gpio_v2_line_request
        MemoryAccess.setIntAtOffset(request, 0, offset);
        request.asSlice(256).copyFrom(MemorySegment.ofArray("responder".getBytes()));
        MemoryAccess.setLongAtOffset(request, 288, flags);
        MemoryAccess.setIntAtOffset(request, 560, 1);
        if ((int) IOCTL.invokeExact(chip, GET_LINE, request.address()) != 0)
            throw new IOException("line " + offset + " cannot be had");
        return MemoryAccess.getIntAtOffset(request, 588);
    }

    private static Bottle[] work(int records, int bottle) {
        var made = new Bottle[records];
        for (int i = 0; i < records; i++)
            made[i] = new Bottle(bottle, i);
        return made;
    }

    public static void main(String[] words) throws Throwable {
        if (words.length < 4) {
            System.err.println("usage: java [OPTIONS] responder.java CHIP INPUT OUTPUT COUNT [RECORDS]");
            System.exit(2);
        }
        var path = CLinker.toCString(words[0], ResourceScope.globalScope()).address();
        int chip = (int) OPEN.invokeExact(path, 2);
        if (chip < 0)
            throw new IOException(words[0] + " cannot be opened");
        int output = line(chip, Integer.parseInt(words[2]), OUTPUT);
        int input = line(chip, Integer.parseInt(words[1]), INPUT_RISING);
        int count = Integer.parseInt(words[3]), records = words.length > 4 ? Integer.parseInt(words[4]) : 0;
        MemoryAddress high = levels(1), low = levels(0), event = memory(48).address();
        var kept = new Bottle[64][];
        System.err.println("ready");
        for (int i = 0; i < count; i++) {
            if ((long) READ.invokeExact(input, event, 48L) != 48)
                System.exit(3);
            int set = (int) IOCTL.invokeExact(output, SET_VALUES, high);
            set = (int) IOCTL.invokeExact(output, SET_VALUES, low);
            if (records > 0)
                kept[i % 64] = work(records, i);
        }
    }
}
